"""Fields that travel to workers without a disk in common, and what comes back."""

from __future__ import annotations

import io
import json
import shutil
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.batch import run_batch, sending
from rxmap.batch.sending import build_sent, packed, packed_inputs, publish_sent, unpack
from rxmap.errors import CheckError, InputError
from rxmap.pipeline import build, check


@settings(max_examples=15)  # every file is synced to the disk
@given(
    contents=st.dictionaries(st.from_regex(r"[a-z]{1,8}(/[a-z\u00e4 ]{1,8})?", fullmatch=True), st.binary(max_size=99))
)
def test_what_is_packed_is_unpacked(contents, tmp_path_factory):
    folder = tmp_path_factory.mktemp("packed")
    names = [name for name in contents if not any(other.startswith(f"{name}/") for other in contents)]
    for number, name in enumerate(names):
        (folder / str(number)).write_bytes(contents[name])
    unpack(packed({name: folder / str(number) for number, name in enumerate(names)}), folder / "back")
    assert {name: (folder / "back" / name).read_bytes() for name in names} == {name: contents[name] for name in names}


@pytest.mark.parametrize("name", ["../up", "a/../../up", "/etc/up", "C:/up", ""])
def test_a_name_that_leads_out_of_the_folder_is_refused(name, tmp_path):
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as archive:
        archive.writestr(zipfile.ZipInfo(name), b"x")
    with pytest.raises(CheckError):
        unpack(content.getvalue(), tmp_path / "in")
    assert not list(tmp_path.rglob("up"))


def test_rubbish_is_refused(tmp_path):
    with pytest.raises(CheckError):
        unpack(b"rubbish", tmp_path)


def test_only_the_files_that_a_plan_names_travel(plant, tmp_path):
    plan = plant(tmp_path, "field")
    plan.with_name("secret.txt").write_text("mine")
    with zipfile.ZipFile(io.BytesIO(packed_inputs(plan))) as archive:
        assert sorted(archive.namelist()) == ["boundary.geojson", "plan.toml", "stops.csv"]


@pytest.mark.parametrize("name", ["../stops.csv", "/etc/passwd", "no.csv", "/vsicurl/http://127.0.0.1/x"])
def test_a_file_that_may_not_travel_is_refused_in_the_words_of_a_build(plant, tmp_path, name):
    plan = plant(tmp_path, "field", {'"stops.csv"': json.dumps(name), '"boundary.geojson"': '"no.geojson"'})
    with pytest.raises(InputError) as here:
        check(plan)
    with pytest.raises(InputError) as sent:
        packed_inputs(plan)
    assert sent.value.faults == here.value.faults
    assert len(sent.value.faults) == 2  # the other file's as well


def test_inputs_too_large_to_send_are_refused_with_what_to_do(plant, tmp_path, monkeypatch):
    monkeypatch.setattr(sending, "MOST_SENT", 1000)
    with pytest.raises(InputError, match="Build this field on one machine"):
        packed_inputs(plant(tmp_path, "field"))


@pytest.fixture(scope="module")
def sent(plant, tmp_path_factory):
    """A field built as a worker of a cluster does, and what came back."""
    folder = tmp_path_factory.mktemp("sent")
    parcel = packed_inputs(plant(folder, "field"))
    outcome, result = build_sent(parcel, "plan.toml", sending.rxmap.__version__)
    assert outcome.state == "done"
    return parcel, result


def test_what_comes_back_is_published_whole(sent, tmp_path):
    parcel, result = sent
    publish_sent(result, tmp_path / "out", parcel)
    assert (tmp_path / "out/manifest.json").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def changed(result: bytes, name: str, content: bytes | None) -> bytes:
    """The same archive with one file changed, or taken out."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(result)) as old, zipfile.ZipFile(out, "w") as new:
        for member in old.namelist():
            if member != name or content is not None:
                new.writestr(zipfile.ZipInfo(member), content if member == name else old.read(member))
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content"), [("summary.json", b"{}"), ("zones.geojson", None), ("manifest.json", None)]
)
def test_a_result_damaged_on_its_way_is_not_published(sent, tmp_path, name, content):
    parcel, result = sent
    with pytest.raises(CheckError):
        publish_sent(changed(result, name, content), tmp_path / "out", parcel)
    assert list(tmp_path.iterdir()) == []


def test_a_result_of_other_inputs_is_not_published(sent, tmp_path):
    parcel, result = sent
    with pytest.raises(CheckError, match="other inputs"):
        publish_sent(result, tmp_path / "out", changed(parcel, "stops.csv", b"more"))
    assert list(tmp_path.iterdir()) == []


def test_a_worker_of_another_version_is_refused(sent):
    outcome, result = build_sent(sent[0], "plan.toml", "0.0.1")
    assert (outcome.state, result) == ("refused", b"")
    assert "0.0.1" in outcome.lines[0]


def test_no_scheduler_is_one_line(plant, tmp_path, monkeypatch):
    pytest.importorskip("distributed", reason="dask is not installed")
    monkeypatch.setattr("rxmap.batch.cluster.PATIENCE", 1)
    plant(tmp_path / "fields", "a")
    with pytest.raises(InputError, match="does not answer"):
        run_batch(tmp_path / "fields", tmp_path / "out", scheduler="tcp://127.0.0.1:1")
    assert [path.name for path in tmp_path.iterdir()] == ["fields"]


@pytest.mark.long
def test_two_workers_of_a_cluster_that_cannot_see_the_inputs_do_the_job(plant, tree, tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed", reason="dask is not installed")
    for place in ("a", "b"):
        build(plant(tmp_path / "fields", place), tmp_path / "alone" / place)
    plant(tmp_path / "fields", "bad").with_name("stops.csv").write_text("stop,lon\nA,\n")
    plant(tmp_path / "fields", "lost").with_name("stops.csv").unlink()

    def packed_and_gone(plan: Path) -> bytes:
        parcel = packed_inputs(plan)
        shutil.rmtree(plan.parent)  # nobody can read it any more, wherever a worker runs
        return parcel

    monkeypatch.setattr("rxmap.batch.cluster.packed_inputs", packed_and_gone)
    (tmp_path / "elsewhere").mkdir()
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory=str(tmp_path / "elsewhere")
    ) as cluster:
        run = run_batch(tmp_path / "fields", tmp_path / "out", scheduler=cluster.scheduler_address)
    assert dict(run.counts) == {"done": 2, "refused": 2}
    assert {one.plan: one.lines[0].split(":")[0] for one in run.overview.not_done} == {
        "bad/plan.toml": "stops.csv", "lost/plan.toml": "stops.csv",
    }  # fmt: skip
    assert run.peak_mb > 0
    for place in ("a", "b"):
        assert not (tmp_path / "fields" / place).exists()
        assert tree(tmp_path / "out/fields" / place) == tree(tmp_path / "alone" / place)
