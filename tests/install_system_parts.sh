#!/bin/sh
# Installs the system packages that the slow tests need, with apt. Says nothing if all is there.
#
#   libportaudio2                   microphones (tests of `earwitness devices`)
#   asterisk-core-sounds-en-g722    a human voice saying numbers (tests of dictation), CC BY-SA 3.0
#   chromium                        a browser (tests of the report)
#   poppler-utils                   counts the pages of a printed report
#   libpango-1.0-0 and so on        sets the type of the report's PDF
#   pulseaudio and so on            a sound server of the tests' own, with microphones made of software
#   espeak-ng                       the voice that reads back
#   openssl                         an independent check of signatures and keys
set -eu

packages="libportaudio2 asterisk-core-sounds-en-g722 chromium poppler-utils openssl \
    pulseaudio pulseaudio-utils libasound2-plugins espeak-ng \
    libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"

missing_packages() {
    for package in $packages; do
        state=$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null) || state=absent
        [ "$state" = installed ] || printf '%s ' "$package"
    done
}

install() {
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" \
        >"$log" 2>&1
}

if ! command -v apt-get >/dev/null 2>&1; then
    echo "There is no apt-get here. Install what corresponds to these Debian packages: $packages" >&2
    exit 1
fi

missing=$(missing_packages)
[ -n "$missing" ] || exit 0

if [ "$(id -u)" -ne 0 ]; then
    echo "The slow tests need packages that are not installed. As root, run: apt-get install $missing" >&2
    exit 1
fi

log=$(mktemp)
trap 'rm -f "$log"' EXIT
echo "Installing for the tests: $missing" >&2
# shellcheck disable=SC2086  # package names are separate words
install $missing || { apt-get update -qq >"$log" 2>&1 && install $missing; } || {
    cat "$log" >&2
    echo "apt-get could not install: $missing" >&2
    exit 1
}
