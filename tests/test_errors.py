from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import (
    MOST_FAULTS_SHOWN,
    CheckError,
    Faults,
    InputError,
    OutputError,
    PlanError,
    RxmapError,
    printable,
    shown,
)

KINDS = (RxmapError, InputError, PlanError, OutputError, CheckError)


@pytest.mark.parametrize("kind", KINDS)
def test_ten_faults_are_shown_and_the_rest_is_counted(kind):
    error = kind([f"fault {number}" for number in range(1, 14)])
    assert error.lines() == [*(f"fault {number}" for number in range(1, 11)), "and 3 more"]
    assert str(error) == "\n".join(error.lines())
    assert len(error.faults) == 13


@pytest.mark.parametrize("count", [1, MOST_FAULTS_SHOWN])
def test_up_to_ten_faults_are_shown_without_a_count(count):
    assert RxmapError(["fault"] * count).lines() == ["fault"] * count


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_crosses_to_another_process_whole(kind):
    error = pickle.loads(pickle.dumps(kind(["one", "two"])))
    assert type(error) is kind
    assert error.faults == ("one", "two")


@pytest.mark.parametrize(
    ("kind", "builtin"), [(InputError, ValueError), (PlanError, InputError), (OutputError, OSError)]
)
def test_errors_are_also_what_python_calls_them(kind, builtin):
    with pytest.raises(builtin):
        raise kind("x")


def test_faults_are_raised_together_as_the_kind_asked_for():
    faults = Faults()
    faults.raise_if_any()
    faults.add("one")
    faults.extend(["two", "three"])
    with pytest.raises(PlanError) as error:
        faults.raise_if_any(PlanError)
    assert error.value.faults == ("one", "two", "three")


@given(st.text())
def test_text_from_a_file_cannot_move_the_cursor_or_fill_the_screen(text):
    safe = printable(text)
    assert safe.isprintable()
    assert len(safe) <= 600


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("\x1b[2J", "\\x1b[2J"),
        ("a\nb", "a\\nb"),
        ("\u202egnp", "\\u202egnp"),
        ("M\u00fcller", "M\u00fcller"),
        ("\udc80", "\\udc80"),
    ],
)
def test_control_and_direction_characters_are_spelled_out(text, safe):
    assert printable(text) == safe


def test_a_long_value_is_cut():
    assert shown("x" * 100) == f"'{'x' * 57}...'"
    assert (shown(3.5), shown(True)) == ("'3.5'", "'true'")
