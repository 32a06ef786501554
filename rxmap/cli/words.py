"""What the commands print: the closing table, the cautions, and progress on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from rxmap.errors import Caution
from rxmap.records import PassResult, Result
from rxmap.scout.records import Ask, Walk
from rxmap.show.text import LONGEST_SENTENCE, area, chance, counted, listed, money, number, percent, rate, safe


def print_result(result: Result, out: Path) -> None:
    """Print what was decided: passes, money, cautions, and where to look."""
    print(f"{safe(result.field.name)}: {area(result.field.area_ha, result.units)} of {safe(result.crop)}")
    for target in result.targets:
        print(
            f"  {safe(target.name)}: mean {number(target.mean)} {target.unit}, threshold {number(target.threshold)}, "
            f"chance {chance(target.p_over)} that the field mean is above; verdict {target.verdict}"
        )
        print(f"    {safe(target.reason, LONGEST_SENTENCE)}")
    if result.passes:
        _print_passes(result)
    if result.money:
        _print_money(result)
    print_cautions(result.cautions)
    print("the label is the law; local rules and licensed people decide; the map is as good as its stops")
    print(f"open {out / 'map.html'}")


def _print_passes(result: Result) -> None:
    table = _table("pass", "decision", "treated", "share", "rate", "product to bring")
    for one in result.passes:
        rates = listed([rate(p) for p in one.products])
        needed = listed([f"{safe(name)} {number(amount)} {unit}" for name, amount, unit in _to_bring(one)])
        out = one.decision != "none"
        row = [safe(one.name), one.decision, area(one.treated_ha, result.units)]
        row += [percent(one.treated_ha / result.field.area_ha), rates if out else "-", needed if out else "-"]
        table.add_row(*(Text(cell) for cell in row))
    _show(table)
    for one in result.passes:
        print(f"  {safe(one.name)}: {safe(one.reason)}")
        if one.next_look:
            print(f"  {safe(one.name)}: {safe(one.next_look)}")


def _to_bring(one: PassResult) -> Iterator[tuple[str, float, str]]:
    """Product on the ground and in the spray beside that, as the mix sheet has it."""
    if one.load_plan is None:
        yield from ((p.name, p.total, p.total_unit) for p in one.products)
    else:
        yield from ((need.item, need.total + need.extra, need.unit) for need in one.load_plan.needs)


def _print_money(result: Result) -> None:
    figures = result.money
    if figures is None:
        return
    table = _table("expected gain, trips and scouting paid", figures.currency)
    for name, value in (("map", figures.map), ("all", figures.all), ("none", figures.none)):
        note = "  <- best" if name == figures.best else ""
        table.add_row(Text(name), Text(("no map" if value is None else money(value, figures.currency)) + note))
    _show(table)
    if figures.range is not None and figures.p_map is not None:
        low, high = (money(value, figures.currency) for value in figures.range)
        print(f"  map minus the better of all and none: 90 % range {low} to {high}, prices and yield as planned")


def print_walk(walk: Walk, out: Path) -> None:
    """Print what a walk asks for and why, its cautions, and where to look."""
    from rxmap.scout.sheet import distance  # here: no other command needs it

    print(f"{safe(walk.field.name)}: {walk.kind}")
    for line in walk.reasons:
        print(f"  {safe(line, LONGEST_SENTENCE)}")
    for ask in walk.asks if walk.stops else ():
        units = counted(ask.units, safe(ask.target.sample_unit or "plant"))
        print(f"  {safe(ask.target.name)}: {units} at each stop{_asked(walk, ask)}")
    if walk.stops:
        print(f"{counted(len(walk.stops), 'stop')}, {distance(walk.length_m, walk.units)} in straight lines")
    print_cautions(walk.cautions)
    print("keep out of what was sprayed until the label's re-entry interval is over; ask before you cross other land")
    print(f"print {out / 'walk.pdf'}")


def _asked(walk: Walk, ask: Ask) -> str:
    if walk.kind != "first visit":
        return ", as before"
    return f"; {ask.stops} stops for {safe(ask.reason)}; with these stops it is {percent(ask.reached)}"


def print_cautions(cautions: Sequence[Caution]) -> None:
    """Print each caution on a line of its own."""
    for caution in cautions:
        print(f"caution {safe(caution.code)}: {safe(caution.text)}")


@contextmanager
def telling() -> Iterator[Callable[[str], None]]:
    """Show the current step while a command works: on a terminal only, never in a pipe."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    with Console(stderr=True).status("starting") as status:
        yield lambda step: status.update(Text(step))


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, header_style="")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def _show(table: Table) -> None:
    console = Console(file=sys.stdout, markup=False, highlight=False, emoji=False, soft_wrap=False)
    if not sys.stdout.isatty():
        console.width = 200  # a pipe has no width; whoever reads it wants one row a line
    console.print(table)
