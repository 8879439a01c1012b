"""Forms of a table: the same readings whatever the separator, header, encoding or footer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.records.imports.convert import Columns, import_file
from fit.records.imports.delimited import Format
from fit.records.run import read_run
from tests.support.other_loggers import (
    BY_NAME,
    CASE,
    PLAIN,
    POWER,
    T_S,
    TAB,
    brought_in,
    complaint,
    document_of,
    same_readings,
)


def test_a_plain_file_comes_in_as_it_is(tmp_path: Path) -> None:
    same_readings(brought_in(tmp_path, PLAIN))


def test_the_run_folder_says_where_it_came_from(tmp_path: Path) -> None:
    document = document_of(brought_in(tmp_path, PLAIN))
    assert document["schema"] == "heatrun.run/1"
    assert document["nodes"] == ["tab", "case"]
    assert document["import"]["file"] == "log.txt"


@st.composite
def forms(draw: st.DrawFn) -> tuple[bytes, bool]:
    """The same readings in any form, and whether they have a header."""
    delimiter = draw(st.sampled_from(";\t|, "))
    decimal = draw(st.sampled_from(".,"))
    header = draw(st.booleans())
    in_quotes = delimiter != " " and (decimal == delimiter or draw(st.booleans()))

    def line(cells: tuple) -> str:
        texts = [str(cell).replace(".", decimal) for cell in cells]
        return delimiter.join(f'"{text}"' if in_quotes else text for text in texts) + "\n"

    text = draw(st.sampled_from(["", "Logger 7\n", "Prüfling: Laderegler\n\n# Start 10:15\n"]))
    text += line(("Time", "T1", "T2", "P")) if header else ""
    text += "".join(line(row) for row in zip(T_S, TAB, CASE, POWER, strict=True))
    if draw(st.booleans()):
        text = text.removesuffix("\n")
    text = text.replace("\n", draw(st.sampled_from(["\n", "\r\n", "\r"])))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))), header


@given(form=forms())
@settings(max_examples=150, deadline=None)
def test_every_form_gives_the_same_readings(
    tmp_path_factory: pytest.TempPathFactory, form: tuple[bytes, bool]
) -> None:
    folder = tmp_path_factory.mktemp("Prüfstand 2 °C")
    data, header = form
    file = folder / "mesures é.csv"
    file.write_bytes(data)
    by_number = Columns(time=("1",), nodes={"tab": "2", "case": "3"}, power="4")
    columns = Columns(**BY_NAME) if header else by_number  # type: ignore[arg-type]
    same_readings(read_run(import_file(file, columns, folder / "run").folder))


def test_columns_may_be_given_by_number_under_a_header(tmp_path: Path) -> None:
    by_number = {"time": ("1",), "nodes": {"tab": "2", "case": "3"}, "power": "4"}
    same_readings(brought_in(tmp_path, PLAIN, **by_number))


def test_some_columns_may_be_named_and_others_numbered(tmp_path: Path) -> None:
    mixed = {"time": ("1",), "nodes": {"tab": "2", "case": "T2"}, "power": "P"}
    same_readings(brought_in(tmp_path, PLAIN, **mixed))


def test_a_name_that_is_not_there_is_named_beside_numbers(tmp_path: Path) -> None:
    assert "no column 'power'" in complaint(tmp_path, PLAIN, time=("1",), power="power")


def test_a_name_may_leave_out_the_unit_in_brackets(tmp_path: Path) -> None:
    text = PLAIN.replace("Time,T1,T2,P", "Time [s],T1 [°C],T2 (°C),P [W]")
    same_readings(brought_in(tmp_path, text))


def test_a_name_that_fits_two_columns_but_for_their_units_is_refused(tmp_path: Path) -> None:
    text = PLAIN.replace("Time,T1,T2,P", "Time,T1 [°C],T1 [K],P")
    assert "no column 'T1'" in complaint(tmp_path, text)


def test_names_match_whatever_their_case_and_blanks(tmp_path: Path) -> None:
    same_readings(brought_in(tmp_path, PLAIN.replace("Time,T1", " TIME , t1 ")))


def test_a_line_of_units_under_the_header_is_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN.replace("P\n", "P\ns,°C,°C,W\n"))
    same_readings(run)
    assert "line 2: units" in run.left_out[0]


def test_lines_before_the_header_are_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, "Logger 7\n\nOperator, N. N.\n" + PLAIN)
    same_readings(run)
    assert "lines 1 to 3: before the readings" in run.left_out[0]


@pytest.mark.parametrize("word", ["OL", "Open", "-OL", "Overload"])
def test_open_input_is_a_missing_reading_and_said(tmp_path: Path, word: str) -> None:
    run = brought_in(tmp_path, PLAIN.replace("26.125", word))
    assert np.isnan(run.temperature_degC[3, 0])
    assert any(f"1 cell '{word}'" in sentence for sentence in run.left_out)


def test_lines_may_be_passed_over(tmp_path: Path) -> None:
    noise = "Time,T1,T2,P\n1,1,1,1\n"
    same_readings(brought_in(tmp_path, noise + PLAIN, format=Format(skip_lines=2)))


def test_a_footer_and_a_torn_line_are_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN + "5.0,27\n\nTotal: 4 readings\n")
    same_readings(run)
    assert "lines 6 to 8: at the end of the file" in run.left_out[0]


def test_repeated_time_stamps_are_left_out_and_said(tmp_path: Path) -> None:
    run = brought_in(tmp_path, PLAIN.replace("2.5,25.25", "1.0,99,99,9\n2.5,25.25"))
    same_readings(run)
    assert "1 line with a repeated time stamp" in run.left_out[0]


def test_empty_cells_and_the_stated_word_are_missing_readings(tmp_path: Path) -> None:
    text = PLAIN.replace("24.5,22.5", "OL,").replace("26.125", "-999.0")
    run = brought_in(tmp_path, text, format=Format(missing=("OL", "-999")))
    assert np.isnan(run.temperature_degC).tolist() == [
        [False, False],
        [True, True],
        [False, False],
        [True, False],
    ]
