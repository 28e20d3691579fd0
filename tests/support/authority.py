"""A time stamp authority of our own: openssl's (RFC 3161), with a certificate made on the spot."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

CONFIG = """
[req]
distinguished_name = name
x509_extensions = stamps
prompt = no
[name]
CN = Time stamp authority of this test
[stamps]
extendedKeyUsage = critical, timeStamping
basicConstraints = CA:TRUE
[tsa]
default_tsa = here
[here]
serial = serial
signer_cert = authority.pem
signer_key = authority.key
signer_digest = sha256
default_policy = 1.2.3.4
digests = sha256, sha512, sha1
"""


@dataclass(frozen=True)
class Authority:
    """Answers requests."""

    folder: Path

    @property
    def certificate(self) -> Path:
        return self.folder / "authority.pem"

    def answer(self, request: Path) -> Path:
        """Answer a request as the service would."""
        answer = request.with_suffix(".tsr")
        self._run("ts", "-reply", "-config", "tsa.cnf", "-queryfile", request, "-out", answer)
        return answer

    def stamp(self, data: Path, *, digest: str = "sha256") -> Path:
        """Request and answer in one, both by openssl."""
        request = self.folder / f"{data.name}-{digest}.tsq"
        self._run("ts", "-query", "-data", data, f"-{digest}", "-cert", "-out", request)
        return self.answer(request)

    def _run(self, *words: object) -> None:
        command = ["openssl", *map(str, words)]
        subprocess.run(command, cwd=self.folder, capture_output=True, check=True)


def make_authority(folder: Path) -> Authority:
    """Make a key and a certificate for time stamps."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "tsa.cnf").write_text(CONFIG, encoding="ascii")
    (folder / "serial").write_text("01\n", encoding="ascii")
    made = Authority(folder)
    made._run(
        "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "3650", "-config", "tsa.cnf",
        "-keyout", "authority.key", "-out", "authority.pem",
    )  # fmt: skip
    return made
