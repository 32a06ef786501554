"""README and docs hold what they say: examples run, tables match the code, links lead somewhere."""

from __future__ import annotations

import ast
import contextlib
import doctest
import io
import re
import shlex
import shutil
import sys
import tomllib
import types
import typing
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pydantic import BaseModel

import rxmap
from rxmap.passes.label import label_faults
from rxmap.plan import Format, Plan, read_plan

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")] + sorted((ROOT / "docs").glob("*.md"))
EACH_PAGE = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
EDIT = re.compile(r"<!-- edit (?P<file>\S+) \| (?P<old>.*?) \| (?P<new>.*?) -->")
BLOCK = re.compile(r"^```(?P<language>\w*)\n(?P<body>.*?)^```$|" + EDIT.pattern, re.MULTILINE | re.DOTALL)
LIKE = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
LARGEST_PICTURE = 300_000  # [byte] a clone stays small


def blocks(page: Path, language: str) -> list[str]:
    found = BLOCK.finditer(page.read_text(encoding="utf-8"))
    return [match["body"] for match in found if match["language"] == language]


def run(arguments: list[str]) -> tuple[int, str]:
    """Run the command line in this process: its exit code, and what it printed, errors included."""
    from rxmap.cli import main

    said = io.StringIO()
    before, sys.argv = sys.argv, ["rxmap", *arguments]
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), pytest.raises(SystemExit) as left:
            main()
    finally:
        sys.argv = before
    return left.value.code, said.getvalue()


def without_figures(text: str) -> str:
    """Text with every number masked: figures may be refined, words and form are promised."""
    return re.sub(r"-?\d[\d,.]*", "#", text)


def run_console(body: str) -> None:
    """Run each `$ rxmap ...` of a session, and compare what it printed with what the page shows."""
    for session in re.split(r"^\$ ", body, flags=re.MULTILINE)[1:]:
        command, _, shown = session.partition("\n")
        program, *arguments = shlex.split(command)
        assert program == "rxmap", f"$ {command}: only rxmap can be run here"
        _, printed = run(arguments)
        assert alike(shown, printed), f"$ {command}\nthe page shows:\n{shown}\nit printed:\n{printed}"


def alike(shown: str, printed: str) -> bool:
    """Whether a page shows what was printed, figures and line ends aside."""
    return doctest.OutputChecker().check_output(without_figures(shown), without_figures(printed), LIKE)


def run_lines(body: str) -> None:
    """Run each line of a shell block that calls rxmap, alone or after &&; it must not be refused."""
    for line in body.splitlines():
        for call in re.findall(r"(?:^|&& )(?:\.venv/bin/)?rxmap ([^&#]*)", line):
            code, printed = run(shlex.split(call))
            assert code == 0, f"{line}\n{printed}"


@pytest.mark.parametrize("page", [p for p in PAGES if "```" in p.read_text(encoding="utf-8")], ids=lambda p: p.name)
def test_every_example_of_a_page_runs_from_top_to_bottom(page, tmp_path, monkeypatch):
    shutil.copytree(ROOT / "sample_layers", tmp_path / "sample_layers")
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    printed = io.StringIO()
    for match in BLOCK.finditer(page.read_text(encoding="utf-8")):
        if match["file"]:
            text = Path(match["file"]).read_text(encoding="utf-8")
            assert text.count(match["old"]) == 1, f"{match[0]}: stands {text.count(match['old'])} times in the file"
            Path(match["file"]).write_text(text.replace(match["old"], match["new"]), encoding="utf-8")
        elif match["language"] == "python":
            with contextlib.redirect_stdout(io.StringIO()) as printed:
                try:
                    exec(compile(match["body"], page.name, "exec"), names)
                except PackageNotFoundError as absent:  # open data that are read where they are installed
                    pytest.skip(f"the package {absent.name} is not installed")
        elif match["language"] == "text":  # what the block above it prints
            assert alike(match["body"], printed.getvalue()), (
                f"{page.name} shows:\n{match['body']}\n{printed.getvalue()}"
            )
        elif match["language"] == "console":
            run_console(match["body"])
        elif match["language"] == "bash":
            run_lines(match["body"])


def test_set_up_is_two_commands_of_one_line_each():
    section = (ROOT / "README.md").read_text(encoding="utf-8").split("\n## Set-up\n")[1].split("\n## ")[0]
    found = re.findall(r"^```bash\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    assert [body.count("\n") for body in found] == [1, 1]
    assert section.count("```") == 4
    for body in found:
        assert body.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
    assert "rxmap build sample_layers/" in found[0]
    assert found[1].endswith("-m pytest\n")


def test_readme_opens_with_the_job_under_the_title():
    title, blank, first = (ROOT / "README.md").read_text(encoding="utf-8").split("\n")[:3]
    assert (title, blank) == ("# rxmap", "")
    assert first.startswith("A crop adviser walks a field")


# --- links and pictures ---


def anchors(page: Path) -> set[str]:
    """Anchors of a page's headings, as the usual renderers make them."""
    headings = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@EACH_PAGE
def test_every_relative_link_leads_somewhere(page):
    text = re.sub(r"^```.*?^```$", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        assert "://" not in target, f"{target}: pages link only within the repository"
        name, _, anchor = target.partition("#")
        file = page.parent / name if name else page
        assert file.is_file(), f"{page.name}: {target}: no such file"
        assert not anchor or anchor in anchors(file), f"{page.name}: {target}: no such heading"


def test_every_picture_is_small_named_on_a_page_and_has_words():
    used = {
        (page.parent / file).resolve(): words
        for page in PAGES
        for words, file in re.findall(r"!\[(.*?)\]\((.*?)\)", page.read_text(encoding="utf-8"))
    }
    assert set(used) == {path.resolve() for path in (ROOT / "docs/pictures").iterdir()}
    for path, words in used.items():
        assert len(words) > 20, f"{path.name}: say what there is to see"
        assert path.stat().st_size < LARGEST_PICTURE
        with Image.open(path) as picture:
            picture.verify()


# --- plan.md against the plan's models ---


def keys_of(model: type[BaseModel], before: str = "") -> Iterator[tuple[str, Any]]:
    """Every key below a model, tables that may come several times marked `[]`, with its field."""
    for name, info in model.model_fields.items():
        if model is Plan and name == "path":  # where the plan was read; no key
            continue
        key, (inner, several) = before + (info.alias or name), section_of(info.annotation)
        if inner is None:
            yield key, info
        else:
            yield from keys_of(inner, f"{key}[]." if several else f"{key}.")


def section_of(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """Model inside an annotation, if there is one, and whether it may come several times."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    origin, inner = typing.get_origin(annotation), typing.get_args(annotation)
    several = origin is tuple
    if several or origin in (typing.Union, types.UnionType):
        for one in inner:
            model, nested = section_of(one)
            if model is not None:
                return model, several or nested
    return None, False


def plan_rows() -> dict[str, tuple[str, str, str]]:
    text = (ROOT / "docs/plan.md").read_text(encoding="utf-8")
    found = re.findall(r"^\| `([\w.\[\]]+)` \| (.*?) \| (.*?) \| (.*?) \|$", text, re.MULTILINE)
    assert len({key for key, *_ in found}) == len(found), "a key stands twice"
    return {key: (form, default, does) for key, form, default, does in found}


def test_plan_page_lists_exactly_the_keys_of_the_plan():
    assert list(plan_rows()) == [key for key, _ in in_order(dict(keys_of(Plan)), plan_rows())]


def in_order(fields: dict[str, Any], rows: dict[str, Any]) -> list[tuple[str, Any]]:
    """Put fields in the order of the page, which may explain nested tables later; others at the end."""
    order = {key: place for place, key in enumerate(rows)}
    return sorted(fields.items(), key=lambda item: order.get(item[0], len(order)))


def test_plan_page_says_what_is_required_and_each_default():
    rows = plan_rows()
    for key, info in keys_of(Plan):
        default = rows[key][1]
        assert info.is_required() == (default == "required"), f"{key}: {default}"
        if not info.is_required() and info.default_factory is None and info.default not in (None, ()):
            shown = info.default if isinstance(info.default, tuple) else (info.default,)
            assert default == ", ".join(f"{one:g}" if isinstance(one, float) else str(one) for one in shown), key


def example_plan(folder: Path) -> Plan:
    (body,) = blocks(ROOT / "docs/plan.md", "toml")
    path = folder / "plan.toml"
    path.write_text(body, encoding="utf-8")
    return read_plan(path)


def test_plan_page_example_is_a_sound_plan_with_every_key(tmp_path):
    assert label_faults(example_plan(tmp_path)) == []
    used = {re.sub(r"\[\d+\]", "[]", key) for key in leaves(tomllib.loads((tmp_path / "plan.toml").read_text()))}
    missing = {key for key, _ in keys_of(Plan) if not any(one == key or one.startswith(f"{key}.") for one in used)}
    assert not missing


def leaves(document: Any, before: str = "") -> Iterator[str]:
    if isinstance(document, dict):
        for key, value in document.items():
            yield from leaves(value, f"{before}.{key}" if before else key)
    elif isinstance(document, list) and any(isinstance(one, dict) for one in document):
        for number, one in enumerate(document):
            yield from leaves(one, f"{before}[{number}]")
    else:
        yield before


def test_plan_page_lists_every_unit():
    from rxmap.units import UNITS

    table = (ROOT / "docs/plan.md").read_text(encoding="utf-8").split("## Units")[1].split("## Keys")[0]
    assert set(UNITS) <= set(re.findall(r"`(\w+)`", table))


# --- the other tables against the code ---


def section(page: str, heading: str) -> str:
    text = (ROOT / page).read_text(encoding="utf-8")
    return text.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def test_result_page_lists_every_attribute_of_the_zone_file():
    from rxmap.write.shapefile import SCHEMA

    rows = re.findall(r"^\| `(\w+)`(?: \|[^|]*){3} \|$", section("docs/result.md", "The zone file"), re.MULTILINE)
    assert rows == list(SCHEMA)


@pytest.mark.parametrize("page", ["plan", "result"])
def test_page_lists_every_format_of_the_zone_file(page):
    text = (ROOT / f"docs/{page}.md").read_text(encoding="utf-8")
    _, table = text.split("\n| format |", maxsplit=1)
    rows = re.findall(r"^\| (`.*?) \|", table.split("\n\n")[0], re.MULTILINE)
    other = {"geojson", "shapefile"} if page == "result" else set()  # told above the table of the others
    assert set(re.findall(r"`([\w-]+)`", "".join(rows))) | other == set(typing.get_args(Format))


def test_plan_page_gives_the_formula_and_bands_of_every_index():
    from rxmap.read.indices import INDICES

    page = (ROOT / "docs/plan.md").read_text(encoding="utf-8")
    for index in INDICES:
        assert f"| `{index.name}` | {index.formula} | {', '.join(f'`{band}`' for band in index.bands)} |" in page


def test_result_page_names_every_column_of_the_mix_sheet():
    from rxmap.write.mix_sheet import COLUMNS

    page = (ROOT / "docs/result.md").read_text(encoding="utf-8")
    assert f"`{', '.join(COLUMNS)}`" in page


def test_result_page_lists_every_caution():
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in (ROOT / "rxmap").rglob("*.py")]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    calls = [node for node in nodes if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Caution"]
    codes = [call.args[0] for call in calls if call.args]
    starts = [code.values[0] if isinstance(code, ast.JoinedStr) else code for code in codes]
    given = {start.value.partition(":")[0] for start in starts if isinstance(start, ast.Constant)}
    rows = re.findall(r"^\| (`.*?) \|", section("docs/result.md", "Cautions"), re.MULTILINE)
    told = set(re.findall(r"`(\w+)`", "".join(rows)))
    assert given <= told
    # some codes reach Caution through a table or a loop: they stand somewhere as text
    texts = {
        node.value.partition(":")[0] for node in nodes if isinstance(node, ast.Constant) and type(node.value) is str
    }
    assert told <= texts


def test_result_page_names_every_figure_of_the_summary(result):
    from rxmap.write.summary import summary

    assert set(names_in(summary(result))) <= set(
        re.findall(r"`(\w+)(?:\[\])?`", section("docs/result.md", "`summary.json`"))
    )


def names_in(document: Any) -> Iterator[str]:
    """Every key of a document, but those that are slugs or formats."""
    for one in document if isinstance(document, list) else [document]:
        for key, value in one.items() if isinstance(one, dict) else ():
            yield key
            if key not in ("treated_share", "files"):
                yield from names_in(value)


def test_scouting_page_lists_every_column():
    from rxmap.read.columns import KNOWN

    rows = re.findall(r"^\| (`.*?) \|", (ROOT / "docs/scouting.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert set(re.findall(r"`(\w+)`", "".join(rows))) == set(KNOWN)


def listed(values: tuple[float, ...]) -> str:
    return ", ".join(f"{value:g}" for value in values)


def test_methods_page_carries_the_constants_of_the_code():
    from rxmap.decide import compare, edge, ground
    from rxmap.surface import (
        covariates,
        ensemble,
        gaussian,
        sampled,
        spatial,
        target,
        tiles,
        uniform,
        variational,
        verdict,
    )
    from rxmap.zones import clusters, explain, slivers

    sentences = [
        f"| {listed(ensemble.RANGES)} | 1 | {sampled.RANGE_SPREAD} counts and incidence, ",
        f"counts and incidence, {gaussian.RANGE_SPREAD} else |",
        f"| {listed(sampled.SILLS)} | {sampled.SILL_CENTRE} | {sampled.SILL_SPREAD} |",
        f"| scatter + {sampled.SCATTER_SHIFT} (latent scale) | {listed(sampled.SCATTERS)} | {sampled.SCATTER_CENTRE} | "
        f"{sampled.SCATTER_SPREAD} |",
        f"| {listed(gaussian.NUGGET_RATIOS)} | {gaussian.RATIO_CENTRE} | {gaussian.RATIO_SPREAD} |",
        f"above {100 * ensemble.LEAST_WEIGHT:g} % of the heaviest.",
        f"Where they are more than {ensemble.MOST_POINTS},",
        f"leads by more than {spatial.LEAD:g} and by more than {spatial.LEAD_ERRORS} standard errors",
        f"{spatial.ROW_RATIO:g} times as far along the rows as across",
        f"{tiles.NODES} x {tiles.NODES} Chebyshev nodes",
        f"variance {variational.INTERCEPT_VARIANCE:,.0f} on the latent scale",
        f"At most {variational.MOST_ROUNDS} rounds",
        f"at least {verdict.FEWEST_STOPS} stops",
        f"shuffled over the stops {verdict.SHUFFLES} times",
        f"ranges of {listed(verdict.PATTERN_RANGES)} times the prior centre",
        f"shares of the variance of {listed(verdict.PATTERN_SHARES)}.",
        f"the chance is at most {100 * verdict.MOST_CHANCE:g} %",
        f"standard deviation {sampled.SLOPE_PRECISION**-0.5:g}, Gelman",
        f"`(z^2 - {covariates.FITTED:g}) / sqrt(3 n m)` with `z` the two-sided normal point of "
        f"{100 * covariates.NOISE_SHARE:g} % shared among the candidates; "
        f"then the next, at most {covariates.MOST_USED}",
        f"correlation above {covariates.COLLINEAR} at the stops",
        f"at least {target.FEWEST_EDGE_STOPS} of them",
        f"on the grid {min(uniform.SCATTERS)} to {max(uniform.SCATTERS)} with a weak prior "
        f"(centre {uniform.SCATTER_CENTRE}, spread {uniform.SCATTER_SPREAD})",
        f"raised by {edge.CURVED_EDGE}",
        f"at most {ground.MOST_DECISION_CELLS:,}",
        f"{compare.DRAWS} whole surfaces are drawn",
        f"on at most {compare.MOST_BLOCKS} blocks",
        f"m = {clusters.FUZZINESS}",
        f"for {min(clusters.NUMBERS)} to {max(clusters.NUMBERS)} zones",
        f"Below {100 * explain.EXPLAINED_WELL:.0f} % explained",
        f"thinner than {100 * slivers.THINNEST:g} cm",
    ]
    assert [sentence for sentence in sentences if sentence not in running_text("docs/methods.md")] == []


def test_methods_page_carries_the_constants_of_the_evidence():
    from rxmap.surface import evidence, evidence_ground

    sentences = [
        f"beyond {evidence_ground.CROWDED} of its standard errors",
        f"until no block has more than {evidence.LARGEST_BLOCK} stops",
        f"Fewer than {evidence.FEWEST_CHECKED} places give none",
    ]
    assert [sentence for sentence in sentences if sentence not in running_text("docs/methods.md")] == []


def test_methods_page_carries_the_constants_of_passes():
    from rxmap.decide import decision, look
    from rxmap.passes import applied, limits, loads, strip_places

    coarse, coarser = limits.SIMPLER
    sentences = [
        f"For up to {decision.MOST_ENUMERATED} passes every order is tried",
        f"drawn with {coarse:g}, then {coarser:g} times the usual tolerance",
        f"At least {applied.LEAST_SAMPLES} cells lie across a section, so that "
        f"{100 / applied.LEAST_SAMPLES**2:.0f} % of what is misplaced is not seen",
        f"{applied.HEADINGS} headings over half a turn are compared",
        f"up to {strip_places.DEFAULT_COUNT} strips of {strip_places.DEFAULT_LENGTH:g} m, all of one length",
        f"in areas at least {strip_places.LEAST_PASSES} swaths wide and {strip_places.LEAST_RUN:g} m long",
        f"at least {strip_places.LEAST_GAP} swaths apart",
        f"a part below {100 * loads.LEAST_SHARE:g} % of a load",
        f"{loads.FIXED_S / 60:g} minutes are reckoned for each refill",
        f"{look.WHERE_CLOSE[0]} to {look.WHERE_CLOSE[1]} days after the newest visit",
        f"{look.WHERE_FAR[0]} to {look.WHERE_FAR[1]} else",
    ]
    assert [sentence for sentence in sentences if sentence not in running_text("docs/methods.md")] == []


def running_text(page: str) -> str:
    return " ".join((ROOT / page).read_text(encoding="utf-8").split())


@pytest.mark.parametrize("count", [3, 4, 6])
def test_methods_page_tells_what_check_strips_can_show(count):
    from rxmap.passes.strips import detectable_difference

    assert f"{detectable_difference(count):.2f} s for {count}" in running_text("docs/methods.md")


def test_readme_lists_every_command():
    from rxmap.cli.app import app

    commands = {info.name or info.callback.__name__ for info in app.registered_commands}
    listed = re.findall(r"^\| `rxmap (\w+)", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(listed) == sorted(commands)


def test_changelog_opens_with_the_version():
    found = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert found is not None
    assert found[1] == rxmap.__version__


def test_developers_page_has_every_layer():
    table = section("DEVELOPERS.md", "The way in")
    layers = {path.name for path in (ROOT / "rxmap").iterdir() if (path / "__init__.py").exists()}
    # plan_rules and the like belong to plan
    modules = {path.stem.partition("_")[0] for path in (ROOT / "rxmap").glob("[!_]*.py")}
    listed = set(re.findall(r"`(\w+)/?`", "".join(re.findall(r"^\| (.*?) \|", table, re.MULTILINE))))
    assert layers | modules <= listed
