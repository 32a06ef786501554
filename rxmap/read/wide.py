"""Wide tables: one column for each target, brought to the long form that everything else reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rxmap.errors import Faults, shown
from rxmap.plan import Plan, Target
from rxmap.read.columns import COLUMN_OF, MEASURES, canonical, missing
from rxmap.read.table import Row, Table


def own_columns(plan: Plan) -> list[str]:
    """Columns that `scouting.columns` brings in beside the known ones."""
    named = [canonical(column) for column in plan.scouting.columns.values()]
    return named + [beside for column in named for beside in (f"{column}_n", f"{column}_positives")]


def long_form(tables: Sequence[Table], plan: Plan, faults: Faults) -> list[Table]:
    """Turn each wide table into one long table for each target; long ones stay as they are.

    A table with a column ``target`` is long. In a wide one a blank cell means: not looked at.

    Parameters
    ----------
    tables : sequence of Table
        All scouting files of the plan.
    plan : Plan
        Its `scouting.columns` name the column of each target.
    faults : Faults
        Takes what is wrong with the wide ones.
    """
    columns = {name: canonical(column) for name, column in plan.scouting.columns.items()}
    targets = {target.name: target for target in plan.target}
    out: list[Table] = []
    wide = 0
    for table in tables:
        names = [canonical(name) for name in table.header]
        if not columns or "target" in names:
            out.append(table)
            continue
        wide += 1
        wrong = _faults(table, names, columns)
        faults.extend(f"{table.name}: {line}" for line in wrong)
        if not wrong:
            faults.extend(_unseen(table, names, columns))
            asked = [_Asked(targets[name], column) for name, column in columns.items()]
            out += [_of_target(table, one, asked) for one in asked]
    if columns and tables and not wide:
        faults.add(f"{plan.path.name}: scouting.columns: every file has a column 'target'. Remove one or the other.")
    return out


@dataclass(frozen=True, slots=True)
class _Asked:
    """A target and the column that holds its measure."""

    target: Target
    column: str

    def sources(self, names: Sequence[str]) -> dict[str, str]:
        """Columns of the long form, by where the wide table has them."""
        measure = COLUMN_OF[self.target.measure]
        n = f"{self.column}_n" if f"{self.column}_n" in names else "n"
        found = {measure: self.column, "n": n}
        if measure == "count":
            found["positives"] = f"{self.column}_positives"
        return {own: written for own, written in found.items() if written in names}


def _faults(table: Table, names: Sequence[str], columns: dict[str, str]) -> list[str]:
    lines = [missing(column, table.header) for column in dict.fromkeys(columns.values()) if column not in names]
    lines += [
        f"column {shown(name)} stands twice. Remove or rename one."
        for name in dict.fromkeys(names)
        if name and names.count(name) > 1
    ]
    return lines + [
        f"column '{name}': of which target? Name it in scouting.columns, or remove it."
        for name in MEASURES
        if name in names and name not in columns.values()
    ]


def _unseen(table: Table, names: Sequence[str], columns: dict[str, str]) -> list[str]:
    """Rows that say nothing about any target: a zero forgotten, or a row too many."""
    positions = [names.index(column) for column in columns.values()]
    return [
        f"{table.place(row)}: blank in every column of scouting.columns. Write 0 where nothing was found, or remove it."
        for row in table.rows
        if not any(row.cells[position] for position in positions)
    ]


def _of_target(table: Table, one: _Asked, asked: Sequence[_Asked]) -> Table:
    """Long table of one target: its own columns under their long names, and those that belong to no target."""
    names = [canonical(name) for name in table.header]
    sources = one.sources(names)
    others = {written for each in asked for written in each.sources(names).values()}
    taken = {name: names.index(written) for name, written in sources.items()}
    # a sample size beside a blank measure is a zero forgotten: kept, so that the row is refused
    looked = [names.index(written) for written in sources.values() if written != "n"]
    kept = [position for position, name in enumerate(names) if name not in {"n", *others}]
    rows = tuple(
        Row(
            number=row.number,
            cells=(
                *(row.cells[position] for position in kept),
                one.target.name,
                *(row.cells[position] for position in taken.values()),
            ),
        )
        for row in table.rows
        if any(row.cells[position] for position in looked)
    )
    return Table(
        name=table.name,
        word=table.word,
        header=(*(table.header[position] for position in kept), "target", *taken),
        rows=rows,
        mark=table.mark,
        written={**table.written, **{name: table.written.get(written, written) for name, written in sources.items()}},
    )
