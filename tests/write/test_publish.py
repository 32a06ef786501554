"""Publishing a folder: whole or not at all, and nothing of the user's is ever lost."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rxmap.errors import CheckError, OutputError
from rxmap.write import publish
from rxmap.write.files import write_bytes
from rxmap.write.manifest import write_manifest
from rxmap.write.publish import staged

PUBLISHING = Path(__file__).with_name("publishing.py")
Tree = Callable[[Path], dict[str, str]]
Start = Callable[..., subprocess.Popen[str]]


def publish_run(out: Path, seed: int, *, replace: bool = False, inputs: tuple[Path, ...] = ()) -> None:
    with staged(out, replace, inputs=inputs) as stage:
        write_bytes(stage / "below" / "run.txt", f"run {seed}".encode())
        write_manifest(stage, inputs=[], seed=seed, plan={})


def run_in(out: Path) -> str:
    return (out / "below" / "run.txt").read_text()


@contextlib.contextmanager
def unchanged(folder: Path, tree: Tree) -> Iterator[None]:
    before = tree(folder)
    yield
    assert tree(folder) == before


def test_an_absent_folder_appears_with_its_parents(tmp_path: Path) -> None:
    publish_run(tmp_path / "a" / "b" / "out", 1)
    assert run_in(tmp_path / "a" / "b" / "out") == "run 1"
    assert [path.name for path in (tmp_path / "a" / "b").iterdir()] == ["out"]


def test_an_empty_folder_is_written(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    publish_run(tmp_path / "out", 1)
    assert run_in(tmp_path / "out") == "run 1"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_our_own_result_gives_way_only_on_request(tmp_path: Path, tree: Tree) -> None:
    publish_run(tmp_path / "out", 1)
    with unchanged(tmp_path, tree), pytest.raises(OutputError, match=r"holds a result already\. Say --replace"):
        publish_run(tmp_path / "out", 2)
    publish_run(tmp_path / "out", 3, replace=True)
    assert run_in(tmp_path / "out") == "run 3"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_the_folder_gets_the_usual_permissions(tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    publish_run(tmp_path / "out", 1)
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "plain").stat().st_mode


REFUSALS: dict[str, tuple[Callable[[Path], object], str]] = {
    "a file": (lambda out: out.write_text("mine"), "is a file"),
    "a link to a folder": (lambda out: ((out.parent / "real").mkdir(), out.symlink_to("real")), "is a link"),
    "a dangling link": (lambda out: out.symlink_to("nowhere"), "is a link"),
    "the user's own files": (
        lambda out: (out.mkdir(), [(out / f"{n}.txt").touch() for n in range(5)]),
        r"holds '0.txt', '1.txt', '2.txt' and 2 more, which rxmap did not write",
    ),
    "a hidden file": (lambda out: (out.mkdir(), (out / ".git").mkdir()), "holds '.git', which rxmap did not write"),
    "an edited result": (
        lambda out: (publish_run(out, 1), (out / "below/run.txt").write_text("by hand")),
        r"not as rxmap left it: 'below/run\.txt' was changed",
    ),
    "a result with a guest": (
        lambda out: (publish_run(out, 1), (out / "notes.txt").touch()),
        r"not as rxmap left it: 'notes\.txt' was added",
    ),
    "a foreign manifest": (
        lambda out: (out.mkdir(), (out / "manifest.json").write_text('{"name": "an app"}')),
        r"not as rxmap left it: 'it has no manifest\.json that rxmap wrote'",
    ),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_what_could_be_lost_is_refused_even_with_replace(tmp_path: Path, tree: Tree, case: str) -> None:
    make, says = REFUSALS[case]
    make(tmp_path / "out")
    with unchanged(tmp_path, tree), pytest.raises(OutputError, match=says):
        publish_run(tmp_path / "out", 2, replace=True)


def test_a_result_that_serves_as_an_input_is_not_replaced(tmp_path: Path, tree: Tree) -> None:
    publish_run(tmp_path / "out", 1)
    with unchanged(tmp_path, tree), pytest.raises(OutputError, match="holds an input of this plan"):
        publish_run(tmp_path / "out", 2, replace=True, inputs=(tmp_path / "out" / "below" / "run.txt",))


@pytest.mark.parametrize("name", [".", "..", "/"])
def test_a_place_without_a_name_of_its_own_is_refused(name: str) -> None:
    with pytest.raises(OutputError, match="not a folder of its own"):
        publish_run(Path(name), 1)


@pytest.mark.parametrize(
    "name", ["-rf", "two words", "\u00e4\u96ea\U0001f41b", "a'b\"c$(d)`e`", "n" * 255, "line\nbreak"]
)
def test_awkward_names_work(tmp_path: Path, name: str) -> None:
    publish_run(tmp_path / name, 1)
    assert os.listdir(tmp_path) == [name]


def test_a_name_that_is_too_long_is_refused_in_words(tmp_path: Path, tree: Tree) -> None:
    with unchanged(tmp_path, tree), pytest.raises(OutputError, match="the name is too long"):
        publish_run(tmp_path / ("n" * 256), 1)


def test_a_parent_that_is_a_file_is_refused_in_words(tmp_path: Path, tree: Tree) -> None:
    (tmp_path / "plan.toml").touch()
    with unchanged(tmp_path, tree), pytest.raises(OutputError, match="a file stands where a folder is needed"):
        publish_run(tmp_path / "plan.toml" / "out", 1)


@pytest.mark.parametrize("error", [CheckError("refused"), ZeroDivisionError(), KeyboardInterrupt()])
def test_an_error_of_the_body_leaves_nothing_and_goes_through(tmp_path: Path, tree: Tree, error: BaseException) -> None:
    def half(stage: Path) -> None:
        write_bytes(stage / "half.txt", b"half")
        raise error

    with unchanged(tmp_path, tree), pytest.raises(type(error)), staged(tmp_path / "new" / "out", False) as stage:
        half(stage)


def test_a_folder_that_somebody_filled_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="holds 'theirs', which rxmap did not write"), staged(tmp_path / "out", True):
        write_bytes(tmp_path / "out" / "theirs", b"mine")
    assert [path.name for path in tmp_path.rglob("*")] == ["out", "theirs"]


def test_a_second_run_into_the_same_folder_is_refused_by_the_lock(tmp_path: Path) -> None:
    with staged(tmp_path / "out", False) as stage:
        with pytest.raises(OutputError, match=r"another run is writing it \(lock \.rxmap-"):
            publish_run(tmp_path / "out", 2)
        publish_run(tmp_path / "other", 3)  # another folder is another matter
        write_manifest(stage, inputs=[], seed=1, plan={})
    assert sorted(os.listdir(tmp_path)) == ["other", "out"]


def test_a_lock_on_a_file_that_its_holder_unlinked_is_not_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else two runs would each hold the lock of another file of the same name."""
    path, still, asked = tmp_path / "lock", publish._is_still, []

    def unlinked_the_first_time(path: Path, handle: int) -> bool:
        if not asked:
            path.unlink()
        asked.append(handle)
        return still(path, handle)

    monkeypatch.setattr(publish, "_is_still", unlinked_the_first_time)
    handle = publish._lock(path)
    assert handle is not None
    assert len(asked) == 2
    assert os.path.samestat(os.stat(path), os.fstat(handle))
    os.close(handle)


def test_debris_of_a_dead_run_is_swept_and_that_of_others_is_not(tmp_path: Path) -> None:
    mine = publish._beside(tmp_path.resolve() / "out", "stage-1-abc")
    theirs = publish._beside(tmp_path.resolve() / "other", "stage-1-abc")
    for stage in (mine, theirs):
        (stage / "below").mkdir(parents=True)
        (stage / "below" / "half.txt").touch()
    publish_run(tmp_path / "out", 1)
    assert sorted(os.listdir(tmp_path)) == sorted([theirs.name, "out"])


def test_without_the_one_step_exchange_the_old_result_is_moved_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publish, "_exchange", lambda *_: False)
    publish_run(tmp_path / "out", 1)
    publish_run(tmp_path / "out", 2, replace=True)
    assert run_in(tmp_path / "out") == "run 2"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_run_killed_between_the_moves_is_mended_by_the_next(tmp_path: Path) -> None:
    publish_run(tmp_path / "out", 1)
    (tmp_path / "out").rename(publish._beside(tmp_path.resolve() / "out", "old"))
    with pytest.raises(OutputError, match="holds a result already"):
        publish_run(tmp_path / "out", 2)
    assert run_in(tmp_path / "out") == "run 1"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "the disk is full. Free some space"),
        (errno.EDQUOT, "the quota of the disk is used up"),
        (errno.EROFS, "read-only"),
        (errno.EMFILE, "too many files are open"),
        (errno.EIO, "the system says: "),
    ],
)
def test_what_the_system_says_becomes_one_line(tmp_path: Path, tree: Tree, number: int, says: str) -> None:
    with unchanged(tmp_path, tree), pytest.raises(OutputError, match=says) as caught, staged(tmp_path / "out", False):
        raise OSError(number, os.strerror(number))
    assert str(caught.value).endswith("; nothing was written.")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_told_to_stop_leaves_nothing(tmp_path: Path, start: Start, number: signal.Signals) -> None:
    run = start(PUBLISHING, tmp_path / "out", "forever", "small")
    assert run.stdout.readline() == "ready\n"
    run.send_signal(number)
    run.communicate(timeout=20)
    assert run.returncode in (-number, 130, 128 + signal.SIGTERM)  # -number: between two stages nobody catches it
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_folder_without_permission_is_refused(start: Start) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can become somebody else")
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        run = start(PUBLISHING, Path(folder) / "out", "unprivileged", "small")
        assert "OutputError" in run.communicate()[1]
        assert run.returncode == 2
        assert os.listdir(folder) == []


@pytest.mark.parametrize(("options", "says"), [("size=64k", "the disk is full"), ("ro", "the disk is read-only")])
def test_a_real_disk_that_is_full_or_read_only_is_refused(
    tmp_path: Path, start: Start, program: Callable[[str], str], options: str, says: str
) -> None:
    """A memory disk in a mount namespace of its own, which ends with the process."""
    mount = f'mount -t tmpfs -o {options} none "{tmp_path}" && "$@"; code=$?; ls -A "{tmp_path}"; exit $code'
    before = (program("unshare"), "--user", "--map-root-user", "--mount", "sh", "-c", mount, "sh")
    run = start(PUBLISHING, tmp_path / "out", "once", "whole", before=before)
    left, said = run.communicate()
    if "unshare" in said or "mount:" in said:
        pytest.skip("unshare may not mount here")
    assert "OutputError" in said
    assert says in said
    assert run.returncode == 2
    assert left == ""
