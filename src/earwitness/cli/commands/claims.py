"""Proof for others: claim bags, what they withhold, time stamps, archives, history."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from earwitness.cli import options


def pack(
    record: options.Record,
    out: options.Out = None,
    keys: options.Keys = options.KEY_FOLDER,
    passphrase: options.PassPhrase = None,
    new_key: Annotated[bool, typer.Option("--new-key", help="Exchange the shop's key.")] = False,
    withhold: options.Withhold = "",
    as_json: options.Json = False,
) -> None:
    """Pack a record and its report into a signed claim bag for a third party.

    Example: earwitness pack inspection-2026-03-02-0915

    Example: earwitness pack inspection-2026-03-02-0915 --withhold vin,customer
    """
    from earwitness.cli import show
    from earwitness.cli.evidence import pack_record

    packed = pack_record(
        record,
        out,
        keys=keys,
        passphrase=passphrase,
        new_key=new_key,
        withhold=options.fields(withhold),
        tell=show.say,
    )
    show.packed(packed, as_json=as_json)


def verify(
    bag: Annotated[Path, typer.Argument(help="Claim bag to check.")],
    quick: options.Quick = False,
    recompute: Annotated[
        bool, typer.Option("--recompute", help="Also score every take and judge anew.")
    ] = False,
    key: Annotated[Path | None, typer.Option(help="Key card that the shop handed out.")] = None,
    identity: Annotated[
        Path | None, typer.Option(help="What the bag withholds, as `disclose` wrote it.")
    ] = None,
    authority: options.Authority = None,
    as_json: options.Json = False,
) -> None:
    """Check that nothing in a claim bag was lost or altered. Exit 0 sound, 1 defective.

    Example: earwitness verify inspection-2026-03-02-0915-claim --recompute
    """
    from earwitness.cli import show
    from earwitness.cli.evidence import verify_bag

    depth = options.depth(quick=quick, recompute=recompute)
    found = verify_bag(bag, depth, card=key, identity=identity, authority=authority)
    show.verified(found, as_json=as_json)


def disclose(
    record: options.Record,
    what: Annotated[str, typer.Argument(help="all, people, or names with commas: vin,customer.")],
    out: Annotated[Path, typer.Option(help="File to write.")] = Path("identity.json"),
    as_json: options.Json = False,
) -> None:
    """Write what a claim bag withholds into a file for one reader, who can check it.

    Example: earwitness disclose inspection-2026-03-02-0915 vin --out vin.json

    Example: earwitness verify inspection-2026-03-02-0915-claim --identity vin.json
    """
    from earwitness.cli import evidence, show

    shown = evidence.disclose(record, options.fields(what), out)
    show.disclosed(shown, out, as_json=as_json)


def timestamp(
    bag: Annotated[Path, typer.Argument(help="Claim bag.")],
    request: Annotated[
        Path | None, typer.Option(help="Write the request for an authority.")
    ] = None,
    add: Annotated[Path | None, typer.Option(help="Put an authority's answer in.")] = None,
    authority: options.Authority = None,
    as_json: options.Json = False,
) -> None:
    """Have an authority vouch for the time of a claim bag (RFC 3161).

    Example: earwitness timestamp van-42-claim --request van-42.tsq

    Example: earwitness timestamp van-42-claim --add van-42.tsr --authority authority.pem
    """
    from earwitness.cli import evidence, show

    time = evidence.stamp(bag, request=request, add=add, authority=authority)
    show.stamped(time, request, as_json=as_json)


def audit(
    folder: Annotated[Path, typer.Argument(help="Archive: a folder with claim bags below it.")],
    out: Annotated[
        Path, typer.Option(help="Table to write or to go on with, .csv or .parquet.")
    ] = Path("audit.csv"),
    quick: options.Quick = False,
    shallow: Annotated[
        bool, typer.Option("--no-recompute", help="Digests and signatures, no sound.")
    ] = False,
    jobs: Annotated[int, typer.Option(min=1, help="Bags at a time.")] = 2,
    scheduler: Annotated[str | None, typer.Option(help="Dask scheduler to use instead.")] = None,
    as_json: options.Json = False,
) -> None:
    """Verify and recompute an archive of claim bags. Exit 0 all sound, 1 any defective.

    Example: earwitness audit claims-2026 --out claims-2026.csv
    """
    from earwitness.cli import show
    from earwitness.cli.evidence import audit_archive

    depth = options.depth(quick=quick, recompute=not (quick or shallow))
    done = audit_archive(
        folder, out, depth, jobs=jobs, scheduler=scheduler, tell=show.audit_progress
    )
    show.audited(done, out, as_json=as_json)


def history(
    folder: Annotated[Path, typer.Argument(help="Archive: records and claim bags below it.")],
    csv: Annotated[Path | None, typer.Option(help="Table to write, a row a value.")] = None,
    html: Annotated[Path | None, typer.Option(help="Page with pictures to write.")] = None,
    scatter_percent: Annotated[
        float | None,
        typer.Option(help="Your own standard deviation of a leakage between tests [points]."),
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Say what has changed on an engine over several inspections, and what would have been seen.

    Example: earwitness history inspections --html history.html --csv history.csv
    """
    from earwitness.cli import show
    from earwitness.cli.history import follow
    from earwitness.cli.history import show as show_history

    found = follow(
        folder, scatter_percent=scatter_percent, csv_file=csv, html_file=html, tell=show.say
    )
    show_history(found, as_json=as_json)
