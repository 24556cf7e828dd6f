"""`towertap archive`: keep recordings for years, find them again, prove that nothing changed."""

from datetime import UTC, date
from pathlib import Path

import click
from rich.text import Text

from towertap.archive import store
from towertap.archive.adding import ADDED, KEPT, THERE, Added, add_all, recordings_of
from towertap.archive.record import Record
from towertap.archive.taking import take
from towertap.archive.verify import verify
from towertap.cli._outcome import PATH, Outcome, answers, console, judged, lines
from towertap.cli._reading import counted_on_screen, day_option
from towertap.doors.terminal import shown
from towertap.doors.times import instant
from towertap.errors import CallError
from towertap.settings import archive_folder
from towertap.words.phrases import counted

ARCHIVE = click.argument("archive", type=PATH, required=False)
ARCHIVE_AND_NAME = click.argument("words", nargs=-1, required=True, metavar="[ARCHIVE] NAME")


@click.group(
    help="Keep recordings for years: a folder ARCHIVE holds raw recordings, captures and conditions. ARCHIVE can be "
    "left out if one is set (see 'towertap settings').",
    epilog="Example: towertap archive add archive drives",
)
def command() -> None:
    """The subcommands do the work."""


@command.command(
    name="add",
    short_help="add recordings, or folders of them",
    help="Add recordings, each given by its capture (.h5), its raw recording (.ttraw) or their folder; also plans and "
    "bench records (.json). Adding a recording again updates corrected conditions and restores missing or damaged "
    "files. A single path is added to the archive that is set.",
)
@click.argument("paths", nargs=-1, required=True, metavar="[ARCHIVE] RECORDING…", type=PATH)
@answers
def add(paths: tuple[Path, ...]) -> Outcome:
    """Add each, and say which were archived already."""
    folder, recordings = (paths[0], paths[1:]) if len(paths) > 1 else (None, paths)
    archive = archive_folder(folder, "archive add ARCHIVE RECORDING")
    if archive.is_dir():
        _remark_on_index(store.listing(archive))
    begun = [] if archive.is_dir() else [f"{shown(str(archive))} is a new archive"]  # a disk may be missing
    to_add = [path for recording in recordings for path in recordings_of(recording)]
    added = []
    with counted_on_screen("adding") as on_progress:
        for entry in add_all(archive, to_add):
            added.append(entry)
            on_progress(len(added), len(to_add))
    entries = [vars(entry) | {"is_new": entry.how in (ADDED, KEPT)} for entry in added]
    return Outcome({"archive": archive, "recordings": entries}, lines(*begun, *map(_added_line, added)))


@command.command(
    name="list",
    short_help="list all recordings, or those that match",
    help="List the recordings that match every option given; all without options.",
)
@ARCHIVE
@click.option("--vehicle", help="The vehicle; upper and lower case are the same.")
@click.option("--part", help="The part; upper and lower case are the same.")
@click.option("--road", help="The road; upper and lower case are the same.")
@day_option("--since", help="First day of the drives, in their local time.")
@day_option("--until", help="Last day of the drives, in their local time.")
@answers
def list_(archive: Path | None, since: date | None, until: date | None, **conditions: str | None) -> Outcome:
    """List one line per recording; unreadable or missing ones go to standard error and into JSON."""
    archive = archive_folder(archive, "archive list ARCHIVE")
    store.refuse_any_folder(archive)
    listing = store.listing(archive)
    recordings = store.select(listing.records, since, until, **conditions)
    gone = [record["name"] for record in listing.gone]
    for line in (*listing.unreadable, *(f"{archive / name}: {store.GONE}" for name in gone)):
        console.print(Text.assemble(("not listed", "red"), f" {shown(line)}"), soft_wrap=True)
    _remark_on_index(listing)
    data = {"archive": archive, "recordings": recordings, "unreadable": listing.unreadable, "gone": gone}
    return Outcome(data, lines(*map(_line, recordings)) if recordings else "no recording matches")


@command.command(
    name="verify",
    short_help="verify every byte, or say what is damaged or missing",
    help="Read every byte, and say which files are damaged and which recordings are missing (exit status 1).",
)
@ARCHIVE
@answers
def verify_(archive: Path | None) -> Outcome:
    """Verify, and list what is wrong."""
    archive = archive_folder(archive, "archive verify ARCHIVE")
    with counted_on_screen("verifying") as on_progress:
        verification = verify(archive, on_progress=on_progress)
    problems = [judged(False, shown(str(problem))) for problem in verification.problems] or [
        Text("every byte is as it was added")
    ]
    total = f"{counted(verification.recordings, 'recording')}, {counted(len(verification.problems), 'problem')}"
    text = lines(*problems, *map(shown, verification.remarks), total)
    return Outcome({"archive": archive, **verification.data()}, text, 1 if verification.problems else 0)


@command.command(
    name="take",
    short_help="copy a recording out of the archive",
    help="Copy the recording NAME (its first letters are enough) into a folder and verify every byte: raw recording, "
    "capture, sidecar, and the archive's record with the conditions before each correction.",
)
@ARCHIVE_AND_NAME
@click.option("--to", "folder", type=PATH, default=Path(), help="The folder. Default: the current one.")
@answers
def take_(words: tuple[str, ...], folder: Path) -> Outcome:
    """Copy one recording out, and print its files."""
    archive, name = _archive_and_name(words)
    files = take(archive, name, folder)
    return Outcome({"archive": archive, "files": files}, "\n".join(shown(str(file)) for file in files))


def _archive_and_name(words: tuple[str, ...]) -> tuple[Path, str]:
    if len(words) > 2:
        raise CallError(f"{' '.join(words)}: give an archive and the name of one recording, or the name alone")
    usage = "archive take ARCHIVE NAME"
    if len(words) == 1 and (Path(words[0]) / store.INDEX).exists():
        raise CallError(f"{words[0]}: an archive, but which recording? give its NAME too: 'towertap {usage}'")
    return archive_folder(Path(words[0]) if len(words) == 2 else None, usage), words[-1]


def _added_line(added: Added) -> str:
    put_back = f"; restored {', '.join(added.put_back)}" if added.put_back else ""
    return shown(
        f"{added.recording}: {added.how}{' as' if added.how in (ADDED, THERE) else ':'} {added.name}{put_back}"
    )


def _remark_on_index(listing: store.Listing) -> None:
    if listing.index_remark:
        console.print(listing.index_remark, style="yellow", soft_wrap=True)


def _line(record: Record) -> Text:
    details = [str(record["conditions"].get(key) or "") for key in ("vehicle", "road", "part")]
    struck = record.get("struck_out")
    details += [f"struck out: {struck['reason']}"] if struck else []
    moment = instant(record["started_utc"])
    started = f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}" if moment else "unknown"
    details = [*filter(None, details), f"{record['seconds']:.0f} s", f"started {started}"]
    return Text.assemble((record["name"], "bold"), shown(f": {', '.join(details)}"))
