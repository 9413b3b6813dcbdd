"""The command that shows, verifies and proves the custody log."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evidence.cli.common import FINDINGS, OFFICE, Actor, Archive, Json, emit, opened, progress_shown, table
from evidence.cli.streams import print_json
from evidence.errors import BadInputError, counted

if TYPE_CHECKING:
    from evidence.archive.custody_inclusion import ProofCheck
    from evidence.filing.custody_check import CustodyReport
    from evidence.workspace import Workspace


Photo = Annotated[
    str | None, typer.Argument(metavar="[PHOTO]", help="Only entries about this photo.", show_default=False)
]
Check = Annotated[bool, typer.Option("--verify", help="Verify the whole log.")]
CheckNew = Annotated[
    bool,
    typer.Option(
        "--verify-new",
        help="Verify only the entries after the signed head up to which the log was verified last. Says nothing of "
        "earlier ones.",
    ),
]
Claim = Annotated[str | None, typer.Option("--claim", help="Only entries about this claim.")]
Last = Annotated[int, typer.Option("--last", min=0, help="How many entries to show, newest last; 0 for all.")]
Noted = Annotated[
    list[str] | None,
    typer.Option(
        "--noted",
        metavar="ENTRIES:ROOT",
        help="With --verify: a head printed on a certificate or report.",
        show_default=False,
    ),
]
Prove = Annotated[
    int | None,
    typer.Option(
        "--prove",
        metavar="ENTRY",
        help="Verify the whole log, with --verify-new its new entries, then print a proof as JSON that it holds this entry.",
        show_default=False,
    ),
]
Since = Annotated[
    int | None,
    typer.Option(
        "--since",
        metavar="ENTRIES",
        help="With --prove: prove too that the log begins with the log of that length.",
        show_default=False,
    ),
]
ProofFile = Annotated[
    Path | None,
    typer.Option(
        "--check-proof", metavar="FILE", help="Check such a proof; needs no archive.", show_default=False
    ),
]
NewKey = Annotated[
    str | None,
    typer.Option(
        "--new-key", metavar="REASON", help="Make another key that signs the log.", show_default=False
    ),
]
Reseal = Annotated[
    str | None,
    typer.Option(
        "--reseal",
        metavar="REASON",
        help="Write the log's lost head file anew, if every head kept elsewhere agrees with the log.",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(rich_help_panel=OFFICE)(custody)


def custody(
    photo: Photo = None,
    check: Check = False,
    check_new: CheckNew = False,
    claim: Claim = None,
    last: Last = 30,
    noted: Noted = None,
    prove: Prove = None,
    since: Since = None,
    check_proof: ProofFile = None,
    new_key: NewKey = None,
    reseal: Reseal = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Show the custody log, verify it, or prove an entry.

    --verify detects every entry that was altered, dropped or reordered before the newest head that a bag or a
    backup target holds. --verify-new takes seconds on a log of any length, because it does not read the entries that
    were verified before: an entry that was altered in its place since then is found by --verify alone. Run --verify
    regularly, and before the log is used as proof.
    """
    if check_proof is not None:
        _check_proof(check_proof, as_json)
        return
    if check and check_new:
        raise BadInputError("--verify reads everything, --verify-new does not.", "Give one of them.")
    if photo is not None and claim is not None:
        raise BadInputError("A photo and --claim were given.", "Give one of them.")
    if (since is not None and prove is None) or (noted and not (check or check_new) and prove is None):
        raise BadInputError(
            "--since goes with --prove, and --noted with --verify.", "Add the option that is missing."
        )
    with opened(archive, actor) as here:
        if new_key is not None:
            _make_key(here, new_key, as_json)
        elif reseal is not None:
            _reseal(here, reseal, as_json)
        else:
            whole = check or (prove is not None and not check_new)
            about = _about(here, photo, claim)
            shown = _report(here, check=whole, new=check_new, about=about, last=last, noted=noted or ())
            if prove is not None and shown.valid:
                _print_proof(here, prove, since)
                return
            emit(as_json, shown, lambda: _lines(shown))
            if shown.valid is False:
                raise typer.Exit(FINDINGS)


def _about(here: Workspace, photo: str | None, claim: str | None) -> list[str]:
    """The words that the entries hold: a claim, or a photo's digest and its intake."""
    from evidence.lookup import found_photos

    if photo is None:
        return [claim] if claim is not None else []
    records = here.catalog.photos.records(found_photos(here, [photo]))
    return [word for record in records for word in (record.sha256, record.intake)]


def _report(
    here: Workspace, *, check: bool, new: bool, about: Sequence[str], last: int, noted: Sequence[str]
) -> CustodyReport:
    from evidence.filing.custody_check import noted_head
    from evidence.filing.custody_report import custody_report

    anchors = [noted_head(one) for one in noted]
    with progress_shown() as progress:
        return custody_report(
            here, check=check, new=new, about=about, last=last, noted=anchors, progress=progress
        )


def _print_proof(here: Workspace, entry: int, since: int | None) -> None:
    from evidence.filing.custody_report import prove

    print_json(prove(here, entry, since=since), indent=2)


def _reseal(here: Workspace, reason: str, as_json: bool) -> None:
    from evidence.filing.custody_check import reseal

    entry = reseal(here, reason)
    emit(as_json, entry, lambda: [f"Head file written; entry {entry.seq} records it."])


def _lines(shown: CustodyReport) -> list[Any]:
    return [
        table(
            ["no.", "when (UTC)", "who", "what", "about"],
            ((e.seq, e.at.strftime("%Y-%m-%d %H:%M:%S"), e.actor, e.action, e.subject) for e in shown.shown),
        ),
        *(f"  {one.message}" for one in shown.findings),
        *([] if shown.valid is None else [_verdict(shown)]),
    ]


def _verdict(shown: CustodyReport) -> str:
    if not shown.valid:
        return f"The log is NOT intact; {counted(shown.entries, 'entry was', 'entries were')} read."
    compared = counted(shown.heads, "signed head") if shown.heads else "no signed head"
    where = f", targets read: {', '.join(shown.targets)}" if shown.targets else ""
    if shown.since:
        return (
            f"The entries after entry {shown.since} are intact: "
            f"{counted(shown.entries - shown.since, 'entry', 'entries')}, none altered, dropped or reordered. They were "
            f"compared with {compared}{where}. Entries 1 to {shown.since} were not read; "
            f"{f'they were verified last on {shown.whole_at:%Y-%m-%d}, by the clock then. ' if shown.whole_at else ''}"
            "`evidence custody --verify` reads all."
        )
    return (
        f"The log is intact: {counted(shown.entries, 'entry', 'entries')}, none altered, dropped or reordered. "
        f"It was compared with {compared}{where}."
    )


def _check_proof(path: Path, as_json: bool) -> None:
    from evidence.archive import custody_inclusion

    try:
        content = path.read_bytes()
    except OSError as trouble:
        raise BadInputError(
            f"{path} cannot be read: {trouble.strerror}.", "Give the file with the proof."
        ) from None
    found = custody_inclusion.check_proof(content)
    emit(as_json, found, lambda: _proof_lines(found))
    if not found.valid:
        raise typer.Exit(FINDINGS)


def _proof_lines(found: ProofCheck) -> list[str]:
    if not found.valid:
        return [*(f"  {one}" for one in found.troubles), "The file proves NOTHING."]
    entry = found.entry
    return [
        f"Entry {entry['seq']}: {entry['at']}, {entry['actor']}, {entry['action']}, {entry['subject']}.",
        f"It is proved to be in the log of {found.entries} entries, signed {found.signed_at} by the signer's clock.",
        *([f"That log begins with the earlier log of {found.extends} entries."] if found.extends else []),
        f"Key {found.key[:16]}: compare it with the key on a certificate or a report.",
    ]


def _make_key(here: Any, reason: str, as_json: bool) -> None:
    from evidence.archive.custody_key import replace_key
    from evidence.archive.heads import fingerprint

    if not reason.strip():
        raise BadInputError("--new-key needs a reason.", "Say why, for example: --new-key 'new computer'.")
    with here.locked():
        key = replace_key(here.custody, here.root, actor=here.actor, reason=reason, at=here.now())
    mark = fingerprint(key.noted()["public_key"])
    emit(
        as_json,
        {"key": mark, "kept": key.kept},
        lambda: [
            f"Made the key {mark[:16]}, kept in the {'keyring' if key.kept == 'keyring' else 'key file'}."
        ],
    )
