"""The numbered folder that one run writes: whole or not at all, and never among the audio.

Conventions
-----------
- Everything is written into a hidden folder beside the place where it belongs, checked there,
  and then renamed to the next free ``plan_01``, ``plan_02``, ... A run that fails removes it.
- Numbers only rise: a gap left by a deleted folder is not filled, so a higher number is later.
- An audio folder is a folder that holds a stem; neither it nor anything inside it is ever
  written to. Where the session file itself lies in such a folder, the default place for plans
  is a folder beside that one: ``harbour/session.yaml`` gives ``harbour_plans/plan_01``.
"""

import contextlib
import errno
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from planner.errors import OutputError

_TRIES = 1000  # chosen: other runs that finish at the same time take numbers, but not this many


def audio_folders(files: Iterable[Path]) -> tuple[Path, ...]:
    """Name the folders that hold these audio files; a linked file counts where it really lies too.

    files: paths of stems and takes as they are opened.
    """
    folders = set()
    for file in files:
        folders.add(Path(os.path.abspath(file)).parent.resolve())
        folders.add(file.resolve().parent)
    return tuple(sorted(folders))


def default_out_folder(session_file: Path, audio: Iterable[Path]) -> Path:
    """Say where plans go when nobody says: beside the session file, but outside every audio folder.

    Raises OutputError if no such place is left, because the audio lies at the top of a disk.
    """
    folders = tuple(audio)
    place = session_file.resolve().parent
    while (holder := _holding(place, folders)) is not None:
        if holder.parent == holder:
            what = "the audio lies at the top of a disk, so no place beside it is left for plans."
            raise OutputError(what, file=session_file.name, hint="Say where with --out FOLDER.")
        place = holder.parent / f"{holder.name}_plans"
    return place


def refuse_audio_folder(out: Path, audio: Iterable[Path]) -> None:
    """Make sure that a folder is no audio folder and lies in none, links followed.

    Raises OutputError if it is or does.
    """
    if _holding(out, tuple(audio)) is not None:
        what = "lies in a folder that holds the session's audio, and nothing is ever written there."
        raise OutputError(what, file=str(out), hint="Choose another folder with --out.")


def refuse_unwritable(out: Path, audio: Iterable[Path]) -> None:
    """Make sure before the work that a numbered folder can be written there; nothing stays behind.

    Raises OutputError as `write_plan_folder` would once all is heard.
    """
    refuse_audio_folder(out, audio)
    there, _ = _there_and_missing(out)
    try:
        tempfile.TemporaryDirectory(prefix=".planner-", dir=there).cleanup()
    except OSError as error:
        raise _not_written(error, out, left=False) from error


def put_whole(
    place: Path, content: bytes, put: Callable[[Path, Path], object] = os.replace
) -> None:
    """Put one file in its place, whole or not at all.

    put: gives the finished file, its first argument, its name; else it replaces what is there.
    """
    handle, name = tempfile.mkstemp(prefix=".planner-", dir=place.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(0o644)  # mkstemp keeps it private; our files are for everyone on the job
        put(temporary, place)
    finally:
        temporary.unlink(missing_ok=True)


def write_plan_folder(
    out: Path,
    files: Mapping[str, bytes],
    *,
    audio: Iterable[Path],
    check: Callable[[Path], None] | None = None,
    kind: str = "plan",
) -> Path:
    """Write one plan's files into the next numbered folder under `out`, whole or not at all.

    out: where numbered folders go; made if it is missing.
    files: file name to content.
    audio: the folders that hold audio (`audio_folders`).
    check: called with the finished folder before it gets its name; what it raises keeps the folder
        from appearing.
    kind: ``plan`` or ``check``: what the folder is called before its number.

    Raises OutputError if `out` lies among the audio, is no folder, or cannot be written to.
    """
    refuse_audio_folder(out, audio)
    made: list[Path] = []
    work: Path | None = None
    try:
        _make_folders(out, made)
        work = _new_work_folder(out)
        for name, content in files.items():
            _put(work / name, content)
        if check is not None:
            check(work)
        return _take_number(work, out, kind)
    except BaseException as error:
        # Also on Ctrl-C: half a plan is worse than none.
        left = _remove(work, made)
        if isinstance(error, OSError):
            raise _not_written(error, out, left) from error
        raise


def _holding(place: Path, folders: tuple[Path, ...]) -> Path | None:
    """Find the audio folder that is `place` or holds it."""
    real = place.resolve()
    for step in (real, *real.parents):
        for folder in folders:
            # Spelling decides where nothing exists yet; the disk itself where it does, since it
            # knows upper and lower case and folders that are mounted twice.
            if step == folder.resolve() or _same(step, folder):
                return step
    return None


def _same(one: Path, other: Path) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False


def _make_folders(out: Path, made: list[Path]) -> None:
    """Make `out` and what leads to it; note each new folder in `made`, innermost first."""
    for folder in reversed(_there_and_missing(out)[1]):
        with contextlib.suppress(FileExistsError):  # another run was quicker
            folder.mkdir()
            made.insert(0, folder)


def _there_and_missing(out: Path) -> tuple[Path, list[Path]]:
    """The folder on the way to `out` that is there, and those behind it, innermost first."""
    missing = []
    step = out
    while not step.exists():
        missing.append(step)
        step = step.parent
    if not step.is_dir():
        raise OutputError("is a file, not a folder.", file=str(step), hint="Choose another --out.")
    return step, missing


def _new_work_folder(out: Path) -> Path:
    for number in range(_TRIES):
        folder = out / f".plan_unfinished_{os.getpid()}_{number}"
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise FileExistsError(errno.EEXIST, "too many unfinished plans", str(out))


def _put(path: Path, content: bytes) -> None:
    """Write a new file, and ask the disk to really hold it: a full one complains now, not later."""
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _take_number(work: Path, out: Path, kind: str) -> Path:
    numbered = re.compile(rf"{kind}_(\d{{2,}})")
    for _ in range(_TRIES):
        taken = [int(m[1]) for p in out.iterdir() if (m := numbered.fullmatch(p.name))]
        target = out / f"{kind}_{max(taken, default=0) + 1:02d}"
        try:
            # Never onto anything: a folder with something in it, or a file, makes this fail. Only
            # an empty folder made in this very moment could be replaced, and it loses nothing.
            work.rename(target)
        except OSError as error:
            if error.errno in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
                continue  # another run took the number between the look and the rename
            raise
        return target
    raise FileExistsError(errno.EEXIST, "too many runs finish at once", str(out))


def _remove(work: Path | None, made: list[Path]) -> bool:
    """Remove what this run made; give whether anything of it is left."""
    if work is not None:
        shutil.rmtree(work, ignore_errors=True)
    for folder in made:
        with contextlib.suppress(OSError):  # not empty: another run uses it by now
            folder.rmdir()
    return work is not None and work.exists()


_CAUSES = {
    errno.ENOSPC: ("the disk is full", "Free some space or choose another --out."),
    errno.EDQUOT: ("your share of the disk is full", "Free some space or choose another --out."),
    errno.EACCES: ("you may not write there", "Choose another folder with --out."),
    errno.EPERM: ("you may not write there", "Choose another folder with --out."),
    errno.EROFS: ("that disk can only be read", "Choose another folder with --out."),
}


def _not_written(error: OSError, out: Path, left: bool) -> OutputError:
    cause, hint = _CAUSES.get(
        error.errno or 0, (error.strerror or str(error), "Choose another folder with --out.")
    )
    kept = "an unfinished hidden folder is left there" if left else "nothing was left behind"
    return OutputError(f"the plan could not be written: {cause}; {kept}.", file=str(out), hint=hint)
