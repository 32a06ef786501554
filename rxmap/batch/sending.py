"""Fields that travel: inputs to a worker that shares no disk with us, and the result folder back, as archives."""

from __future__ import annotations

import io
import tempfile
import threading
import zipfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from threadpoolctl import threadpool_limits

import rxmap
from rxmap.batch.tasks import input_paths
from rxmap.batch.work import Outcome, Tell, attempt
from rxmap.beside import Here
from rxmap.errors import CheckError, InputError, shown
from rxmap.plan import read_plan
from rxmap.write.files import read_json, walk, write_bytes
from rxmap.write.manifest import MANIFEST, differences
from rxmap.write.publish import staged

MOST_SENT = 256_000_000  # [byte] our limit: inputs of one field; several are in memory at a time
_ONE_AT_A_TIME = threading.Lock()  # the drawing library has one state for each process


def packed_inputs(plan_path: Path) -> bytes:
    """Pack a plan and the files that it names, and nothing else.

    Raises
    ------
    InputError
        With every fault that a build would meet, if a file cannot be packed.
    """
    try:
        paths = input_paths(read_plan(plan_path))
        size = sum(path.stat().st_size for path in paths.values())
    except InputError:
        from rxmap.pipeline import check  # here: for all faults at once, in the words of a build

        check(plan_path)
        raise
    if size > MOST_SENT:
        raise InputError(
            f"{plan_path.name}: its files hold {size / 1e6:.0f} MB; more than {MOST_SENT // 10**6} MB are not sent to "
            "a cluster. Build this field on one machine."
        )
    return packed(paths)


def packed(paths: Mapping[str, Path]) -> bytes:
    """Pack files under the given names."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, path in paths.items():
            archive.writestr(zipfile.ZipInfo(name), path.read_bytes(), zipfile.ZIP_DEFLATED)
    return content.getvalue()


def unpack(content: bytes, folder: Path) -> None:
    """Write the files of an archive below a folder.

    Raises
    ------
    CheckError
        If a name leads out of the folder, or the archive is damaged.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for member in archive.infolist():
                path = PurePosixPath(member.filename)
                if path.is_absolute() or ".." in path.parts or not path.parts or ":" in path.parts[0]:
                    raise CheckError(f"{shown(member.filename)}: a file that leads out of its folder was sent.")
                write_bytes(folder / path, archive.read(member))
    except (zipfile.BadZipFile, EOFError, ValueError) as error:
        raise CheckError(f"what was sent cannot be read: {error}.") from None


def build_sent(content: bytes, plan_name: str, version: str) -> tuple[Outcome, bytes]:
    """Build a field from its packed inputs: this is what a worker of a cluster runs.

    Parameters
    ----------
    content : bytes
        From `packed_inputs`.
    plan_name : str
        Name of the plan in it.
    version : str
        Of whoever asks; a worker of another version would compute other figures.

    Returns
    -------
    outcome : Outcome
        What became of it.
    result : bytes
        The packed result folder; empty where there is none.
    """
    result = bytearray()

    def job(tell: Tell) -> None:
        from rxmap.pipeline import build  # here: whoever only hands out work need not load it

        if version != rxmap.__version__:
            raise InputError(f"the worker has rxmap {rxmap.__version__}, not {version}. Install {version} on it.")
        with tempfile.TemporaryDirectory(prefix="rxmap-") as place:
            folder, out = Path(place) / "inputs", Path(place) / "result"
            unpack(content, folder)
            build(folder / plan_name, out, progress=tell, beside=Here())
            files = sorted(Path(root) / name for root, _, names in walk(out) for name in names)
            result.extend(packed({path.relative_to(out).as_posix(): path for path in files}))

    with _ONE_AT_A_TIME, threadpool_limits(1):
        outcome = attempt(job)
    return outcome, bytes(result)


def publish_sent(content: bytes, out: Path, sent: bytes) -> None:
    """Put a result folder that came back in its place, whole or not at all.

    Parameters
    ----------
    content : bytes
        The packed folder.
    out : Path
        Its place; an unchanged earlier result gives way.
    sent : bytes
        The inputs from which it was to be made.

    Raises
    ------
    CheckError
        If it is not the folder that its manifest describes, or made from other inputs.
    OutputError
        If the folder cannot be written.
    """
    with staged(out, replace=True) as stage:
        unpack(content, stage)
        changed = differences(stage)
        if changed:
            raise CheckError(["the result was damaged on its way back and is not published", *changed[:3]])
        with zipfile.ZipFile(io.BytesIO(sent)) as archive:
            sizes = {member.filename: member.file_size for member in archive.infolist()}
        if {one["name"]: one["bytes"] for one in read_json(stage / MANIFEST)["inputs"]} != sizes:
            raise CheckError("the result that came back was made from other inputs and is not published")


def published(content: bytes, out: Path, sent: bytes, outcome: Outcome) -> Outcome:
    """Publish what came back, and say so if that fails."""
    if not outcome.whole:
        return outcome
    again = attempt(lambda tell: publish_sent(content, out, sent))
    if again.whole:
        return outcome
    return Outcome(
        state=again.state, lines=again.lines, log=(*outcome.log, *again.log), seconds=outcome.seconds,
        peak_mb=outcome.peak_mb,
    )  # fmt: skip
