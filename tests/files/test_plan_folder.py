"""Plan folders appear whole or not at all, and never among the audio."""

import errno
import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from planner.errors import OutputError, PromiseError
from planner.files import plan_folder
from planner.files.plan_folder import (
    audio_folders,
    default_out_folder,
    refuse_audio_folder,
    write_plan_folder,
)

FILES = {"edit_list.yaml": b"rows: []\n", "summary.md": b"# Tide\n"}


def failing(monkeypatch: pytest.MonkeyPatch, fail: Callable[[Path], object]) -> None:
    """Let the second file that is put into the folder fail in this way, half written."""
    put = plan_folder._put

    def put_or_fail(path: Path, content: bytes) -> None:
        if any(path.parent.iterdir()):
            path.write_bytes(content[:3])
            fail(path)
        put(path, content)

    monkeypatch.setattr(plan_folder, "_put", put_or_fail)


def everything(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def test_first_plan_is_number_one_and_whole(tmp_path: Path) -> None:
    """The first run writes plan_01 with every file, into a folder that it makes."""
    made = write_plan_folder(tmp_path / "out" / "here", FILES, audio=())
    assert made == tmp_path / "out" / "here" / "plan_01"
    assert everything(tmp_path / "out" / "here") == [
        "plan_01", "plan_01/edit_list.yaml", "plan_01/summary.md",
    ]  # fmt: skip


def test_numbers_rise_and_leave_what_is_there(tmp_path: Path) -> None:
    """The next number follows the highest one; gaps stay, strangers stay."""
    (tmp_path / "plan_03").mkdir()
    (tmp_path / "plan_final").mkdir()
    (tmp_path / "plan_04").write_text("a file by that name")
    assert write_plan_folder(tmp_path, FILES, audio=()).name == "plan_05"
    assert (tmp_path / "plan_04").read_text() == "a file by that name"
    (tmp_path / "plan_99").mkdir()
    assert write_plan_folder(tmp_path, FILES, audio=()).name == "plan_100"


def test_folder_has_ordinary_permissions(tmp_path: Path) -> None:
    """A plan folder may be entered by those who may enter any other new folder."""
    (tmp_path / "other").mkdir()
    made = write_plan_folder(tmp_path, FILES, audio=())
    assert made.stat().st_mode == (tmp_path / "other").stat().st_mode


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_broken_off_run_leaves_nothing(
    error: type[BaseException], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault in the middle, or Ctrl-C, leaves no folder, not even the new parents."""

    def breaks(path: Path) -> None:
        raise error("stop")

    failing(monkeypatch, breaks)
    with pytest.raises(error):
        write_plan_folder(tmp_path / "a" / "b", FILES, audio=())
    assert everything(tmp_path) == []


def test_broken_promise_leaves_nothing(tmp_path: Path) -> None:
    """The check sees the whole folder, and what it refuses never appears."""
    seen = []

    def refuse(folder: Path) -> None:
        seen.extend(sorted(p.name for p in folder.iterdir()))
        raise PromiseError("reads back unequal.")

    with pytest.raises(PromiseError, match="reads back unequal"):
        write_plan_folder(tmp_path, FILES, audio=(), check=refuse)
    assert seen == ["edit_list.yaml", "summary.md"]
    assert everything(tmp_path) == []


def test_earlier_plans_survive_a_failure(tmp_path: Path) -> None:
    """A run that fails leaves the plans before it as they were."""
    write_plan_folder(tmp_path, FILES, audio=())
    before = everything(tmp_path)
    with pytest.raises(ZeroDivisionError):
        write_plan_folder(tmp_path, FILES, audio=(), check=lambda folder: print(1 / 0))
    assert everything(tmp_path) == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_full_disk_is_told_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full (the kernel's own full device) is told in words; nothing stays."""
    failing(monkeypatch, lambda path: Path("/dev/full").write_bytes(b"x"))
    with pytest.raises(OutputError, match=r"the disk is full; nothing was left .* Free some"):
        write_plan_folder(tmp_path / "new", FILES, audio=())
    assert everything(tmp_path) == []


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="no folder that nobody may write to")
def test_place_that_takes_no_folders_is_told() -> None:
    """A place where the system itself allows no folder is told in words, with what to do."""
    with pytest.raises(OutputError, match=r"the plan could not be written: .* with --out"):
        write_plan_folder(Path("/proc/self/plans"), FILES, audio=())


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere"
)
def test_read_only_folder_is_told_by_its_permissions(tmp_path: Path) -> None:
    """A folder without write permission is told in words and stays empty."""
    tmp_path.chmod(0o555)
    try:
        with pytest.raises(OutputError, match="you may not write there; nothing was left"):
            write_plan_folder(tmp_path, FILES, audio=())
        assert everything(tmp_path) == []
    finally:
        tmp_path.chmod(0o755)


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (errno.EACCES, "you may not write there"),
        (errno.EROFS, "that disk can only be read"),
        (errno.ENOSPC, "the disk is full"),
        (errno.EIO, "Input/output error"),
    ],
)
def test_refused_rename_is_told(
    number: int, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fails in the last step leaves nothing and is told in words."""

    def refuse(self: Path, target: Path) -> Path:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(OutputError, match=message):
        write_plan_folder(tmp_path, FILES, audio=())
    assert everything(tmp_path) == []


def test_folder_left_over_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where even tidying up fails, the message says that something is left."""
    monkeypatch.setattr("shutil.rmtree", lambda *args, **options: None)

    def full(path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    failing(monkeypatch, full)
    with pytest.raises(OutputError, match="an unfinished hidden folder is left there"):
        write_plan_folder(tmp_path, FILES, audio=())


def test_number_taken_in_the_last_moment_is_passed_over(tmp_path: Path) -> None:
    """When another run takes the number first, the next one is used and theirs is untouched."""
    done = []

    def steal(folder: Path) -> None:
        done.append(write_plan_folder(tmp_path, {"theirs": b"x"}, audio=()))

    assert write_plan_folder(tmp_path, FILES, audio=(), check=steal).name == "plan_02"
    assert everything(done[0]) == ["theirs"]


def test_rename_never_lands_on_a_filled_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that appears between the look and the rename keeps what is in it."""
    real = Path.rename
    raced: list[Path] = []

    def race(self: Path, target: Path) -> Path:
        if not raced:
            raced.append(target)
            Path(target).mkdir()
            (Path(target) / "theirs").write_text("x")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", race)
    assert write_plan_folder(tmp_path, FILES, audio=()).name == "plan_02"
    assert everything(tmp_path / "plan_01") == ["theirs"]


def test_runs_at_the_same_time_get_numbers_of_their_own(tmp_path: Path) -> None:
    """Eight runs that finish at once write eight whole folders."""
    gate = threading.Barrier(8)
    made: list[Path] = []

    def run(number: int) -> None:
        gate.wait()
        files = {"a": b"%d" % number, "b": b"%d" % number}
        made.append(write_plan_folder(tmp_path / "out", files, audio=()))

    threads = [threading.Thread(target=run, args=(i,)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(p.name for p in made) == [f"plan_{i:02d}" for i in range(1, 9)]
    for folder in made:
        assert (folder / "a").read_text() == (folder / "b").read_text()
    assert len(list((tmp_path / "out").iterdir())) == 8


def test_endless_collisions_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When no number can ever be had, that is told and nothing is left."""

    def taken(self: Path, target: Path) -> Path:
        raise FileExistsError(errno.EEXIST, "File exists")

    monkeypatch.setattr(Path, "rename", taken)
    with pytest.raises(OutputError, match="too many runs finish at once"):
        write_plan_folder(tmp_path, FILES, audio=())
    assert everything(tmp_path) == []


def test_endless_unfinished_folders_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When every name for unfinished work is taken, that is told."""
    monkeypatch.setattr(plan_folder, "_TRIES", 1)
    (tmp_path / f".plan_unfinished_{os.getpid()}_0").mkdir()
    with pytest.raises(OutputError, match="too many unfinished plans"):
        write_plan_folder(tmp_path, FILES, audio=())


def test_out_that_is_a_file_is_told(tmp_path: Path) -> None:
    """A file in place of the folder is named."""
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match=r"out: is a file, not a folder\. Choose another --out"):
        write_plan_folder(tmp_path / "out" / "deeper", FILES, audio=())


@pytest.mark.parametrize("inside", [".", "sub", "sub/deeper", "../audio"])
def test_audio_folder_is_refused(inside: str, tmp_path: Path) -> None:
    """Neither an audio folder nor anything in it is written to, whether it exists or not."""
    audio = tmp_path / "audio"
    audio.mkdir()
    with pytest.raises(OutputError, match=r"holds the session's audio.* Choose another folder"):
        write_plan_folder(audio / inside, FILES, audio=(audio,))
    assert everything(tmp_path) == ["audio"]


def test_link_into_the_audio_folder_is_refused(tmp_path: Path) -> None:
    """A link that leads into the audio is found out, and so is an audio folder named by a link."""
    (tmp_path / "audio").mkdir()
    (tmp_path / "elsewhere").symlink_to(tmp_path / "audio")
    with pytest.raises(OutputError, match="holds the session's audio"):
        refuse_audio_folder(tmp_path / "elsewhere" / "x", (tmp_path / "audio",))
    with pytest.raises(OutputError, match="holds the session's audio"):
        refuse_audio_folder(tmp_path / "audio", (tmp_path / "elsewhere",))


def test_folder_beside_or_above_the_audio_is_fine(tmp_path: Path) -> None:
    """A neighbour whose name begins alike, and the folder above, are no audio folders."""
    (tmp_path / "audio").mkdir()
    refuse_audio_folder(tmp_path / "audio_plans", (tmp_path / "audio",))
    refuse_audio_folder(tmp_path, (tmp_path / "audio",))


def test_plans_go_beside_the_session_file(tmp_path: Path) -> None:
    """With the stems in a folder of their own, plans go beside the session file."""
    session = tmp_path / "session.yaml"
    assert default_out_folder(session, (tmp_path / "stems",)) == tmp_path.resolve()


def test_plans_go_beside_the_folder_that_holds_all(tmp_path: Path) -> None:
    """With session file and stems in one folder, plans go into a neighbour of that folder."""
    song = tmp_path / "harbour"
    song.mkdir()
    out = default_out_folder(song / "session.yaml", audio_folders([song / "lead.wav"]))
    assert out == tmp_path.resolve() / "harbour_plans"
    made = write_plan_folder(out, FILES, audio=(song,))
    assert made.parent.name == "harbour_plans"
    assert everything(song) == []


def test_plans_leave_audio_folders_that_lie_in_one_another(tmp_path: Path) -> None:
    """Where the neighbour would lie in audio again, plans go further up."""
    inner = tmp_path / "band" / "song"
    inner.mkdir(parents=True)
    audio = (inner, tmp_path / "band")
    assert default_out_folder(inner / "s.yaml", audio) == tmp_path.resolve() / "band_plans"


def test_audio_at_the_top_of_a_disk_asks_for_a_place(tmp_path: Path) -> None:
    """With audio at the top there is no place outside it, so one must be named."""
    with pytest.raises(OutputError, match=r"top of a disk.* Say where with --out FOLDER"):
        default_out_folder(tmp_path / "s.yaml", (Path(tmp_path.anchor),))


def test_linked_stem_counts_in_both_folders(tmp_path: Path) -> None:
    """A stem that is a link makes its own folder and the one it leads to audio folders."""
    (tmp_path / "vault").mkdir()
    (tmp_path / "song").mkdir()
    (tmp_path / "vault" / "lead.wav").write_bytes(b"")
    (tmp_path / "song" / "lead.wav").symlink_to(tmp_path / "vault" / "lead.wav")
    found = audio_folders([tmp_path / "song" / "lead.wav"])
    assert found == ((tmp_path / "song").resolve(), (tmp_path / "vault").resolve())
