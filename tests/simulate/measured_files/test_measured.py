"""Measured profiles from delimited text: every setting, every message, three real files."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from craterfront import file_access
from craterfront.measured_files import delimited_text
from craterfront.measured_files.axis_unit import unit_in_header
from craterfront.measured_files.delimited_text import read_table
from craterfront.measured_files.measured import read_profile
from craterfront.measured_files.measured_profile import LARGEST_VALUE
from craterfront.problems import InputProblems

DATA = Path(__file__).parents[2] / "data" / "measured"
SIMPLE = "time,Cr,Ni\n0.5,10,1\n1.0,20,2\n1.5,30,3\n"


@pytest.fixture
def write(tmp_path):
    """Write a text or bytes to a file and return its path."""

    def write_file(content, name="profile.txt"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write_file


def problems_of(path, **options):
    """The problems that reading a profile raises."""
    with pytest.raises(InputProblems) as caught:
        read_profile(path, **options)
    assert str(caught.value).startswith(str(path))  # the place begins with the file
    return caught.value.problems


def only(problems):
    """The one problem there must be."""
    assert len(problems) == 1, problems
    return problems[0]


# --- text tables -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal"),
    [
        ("t\tA\n1\t2.5\n2\t3.5\n", "tab", "."),
        ("t;A\n1;2,5\n2;3,5\n", "semicolon", ","),
        ("t,A\n1,2.5\n2,3.5\n", "comma", "."),
        ("t, A\n1, 2\n2, 3\n", "comma", "."),
        ("t   A\n 1  2,5\n 2 \t 3,5\n", "blanks", ","),
    ],
)
def test_delimiter_and_decimal_are_found(write, text, delimiter, decimal):
    table = read_table(write(text))
    assert (table.delimiter, table.decimal) == (delimiter, decimal)
    assert table.names == ["t", "A"]
    expected = [[1, 2], [2, 3]] if "5" not in text else [[1, 2.5], [2, 3.5]]
    np.testing.assert_array_equal(table.numbers([0, 1]), expected)


def test_explicit_layout_is_taken(write):
    """Set by hand: a line that would count as data, names among the comments, a lone character."""
    path = write("# a;b\n0;0\n1;2\n2;4\n")
    table = read_table(path, delimiter=";", decimal=",", header_rows=2, names_row=1)
    assert table.names == ["a", "b"]
    assert table.line_numbers == [3, 4]
    np.testing.assert_array_equal(table.numbers([1]), [[2], [4]])


def test_numeric_names_need_names_row(write):
    path = write("0 425 396\n1 5 6\n2 7 8\n")
    assert read_table(path, names_row=1).names == ["0", "425", "396"]
    assert read_table(path).names == ["column 1", "column 2", "column 3"]
    assert len(read_table(path).lines) == 3


def test_header_lines_with_numbers_are_no_data(write):
    """A count, and masses after a word, stand above the data."""
    table = read_table(write("3\nm/z\t52\t58\t60\ntime\tCr\tNi\tNi60\n1\t2\t3\t4\n2\t3\t4\t5\n"))
    assert table.line_numbers == [4, 5]
    assert table.names == ["time", "Cr", "Ni", "Ni60"]


def test_names_come_from_the_last_best_header_line(write):
    """The units repeat and the title is short, so the names row has most different names."""
    text = "a title\ntime;Cr;Ni;Fe\ns;cps;cps;cps\n1;2;3;4\n2;3;4;5\n"
    assert read_table(write(text)).names == ["time", "Cr", "Ni", "Fe"]
    assert read_table(write(text), names_row=3).names == ["s", "cps", "cps", "cps"]


def test_blank_names_are_taken_from_the_line_below(write):
    text = "#\t\tCr\tNi\tFe\n# Point\tTime (s)\tI\tI\n1\t0.1\t2\t3\t9\n2\t0.2\t3\t4\t9\n"
    assert read_table(write(text), names_row=1).names == ["Point", "Time (s)", "Cr", "Ni", "Fe"]
    bare = "\t\tCr\n1\t0.1\t2\n2\t0.2\t3\n"
    assert read_table(write(bare), names_row=1).names == ["column 1", "column 2", "Cr"]


@pytest.mark.parametrize("mark", ["#", "# ", "// ", "% ", "! "])
def test_comment_marks_do_not_shift_names(write, mark):
    assert read_table(write(f"{mark}time Cr\n1 2\n2 3\n")).names == ["time", "Cr"]
    assert read_table(write(f"{mark}\ttime\tCr\n1\t2\n2\t3\n")).names == ["time", "Cr"]


def test_percent_sign_may_begin_a_name(write):
    assert read_table(write("%Fe;%Cr\n1;2\n2;3\n")).names == ["%Fe", "%Cr"]


def test_names_with_blanks_cannot_be_told_apart_by_blanks(write):
    table = read_table(write("sputter time Cr\n1 2\n2 3\n"))
    assert table.names == ["column 1", "column 2"]
    assert "line 1 has 3 words for 2 columns" in table.notes[0]


def test_quoted_cells(write):
    table = read_table(write('"Depth, nm","Cr ""52"""\n"1","2"\n2,3\n'))
    assert table.names == ["Depth, nm", 'Cr "52"']
    np.testing.assert_array_equal(table.numbers([0, 1]), [[1, 2], [2, 3]])
    assert read_table(write('"sputter time" Cr\n1 2\n2 3\n')).names == ["sputter time", "Cr"]


def test_not_a_number_in_any_spelling(write):
    spellings = "nan NaN -nan NAN nan(ind) -nan(ind) -nan(snan) 1.#QNAN -1.#IND 1.#SNAN 1.#J NaNQ"
    infinities = "inf -inf Infinity +INF 1.#INF -1.#INF000"
    rows = [f"{i};{word};1" for i, word in enumerate(spellings.split() + infinities.split())]
    table = read_table(write("t;ratio;A\n" + "\n".join(rows)))
    assert table.delimiter == "semicolon"
    assert len(table.lines) == len(rows)  # they begin the numeric block, too
    assert not np.isfinite(table.numbers([1])).any()
    comma = read_table(write("t;ratio;A\n1;1,#QNAN;2,5\n2;-1.#IND;3,5\n"))
    np.testing.assert_array_equal(comma.numbers([1, 2]), [[np.nan, 2.5], [np.nan, 3.5]])


@pytest.mark.parametrize("cell", ["1_000", "1.234,5", "0x10", "1 000", "ok", "N/A", "--", "1,5"])
def test_what_is_no_number(write, cell):
    path = write(f"t;A\n1;2.5\n2;{cell}\n3;4.5\n4;5.5\n")
    np.testing.assert_array_equal(read_table(path).numbers([1])[:, 0], [2.5, np.nan, 4.5, 5.5])


def test_decimal_comma_does_not_accept_points(write):
    path = write("t;A\n1;2,5\n2;1.234\n3;4,5\n")
    np.testing.assert_array_equal(read_table(path).numbers([1])[:, 0], [2.5, np.nan, 4.5])


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r", "\r\r\n"])
def test_encodings_and_line_ends(write, encoding, newline):
    text = newline.join(["Depth [µm];Cr", "1;2", "2;3", ""])
    table = read_table(write(text.encode(encoding)))
    assert table.names == ["Depth [µm]", "Cr"]
    np.testing.assert_array_equal(table.numbers([0, 1]), [[1, 2], [2, 3]])
    assert table.encoding == encoding.removesuffix("-sig")
    assert ("the file is not UTF-8 and was read as Latin-1" in table.notes) == (
        encoding == "latin-1"
    )


def test_ragged_rows_and_blank_columns_at_the_end(write):
    table = read_table(write("t;A;B;;\n1;2;3;;\n2;3\n3;4;5;6;7;8\n4;5;6;;;;;\n"))
    assert table.names == ["t", "A", "B"]
    nan = np.nan
    expected = [[1, 2, 3], [2, 3, nan], [nan, nan, nan], [4, 5, 6]]
    np.testing.assert_array_equal(table.numbers([0, 1, 2]), expected)


def test_comments_among_the_data_are_told(write):
    table = read_table(write("t,A\n1,2\n# lamp off\n\n2,3\n"))
    assert table.line_numbers == [2, 5]
    assert table.notes == ["comment lines left out among the data rows: 1"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"delimiter": "|"}, 'delimiter: must be "tab", "semicolon", "comma" or "blanks", got "|"'),
        ({"decimal": "'"}, 'decimal: must be "." or ",", got "\'"'),
        ({"delimiter": "comma", "decimal": ","}, 'decimal: "," cannot be told from the delimiter'),
        ({"header_rows": -1}, "header_rows: must be a whole number >= 0, got -1"),
        ({"header_rows": True}, "header_rows: must be a whole number >= 0, got true"),
        ({"names_row": 0}, "names_row: must be a whole number >= 1, got 0"),
        ({"header_rows": 1, "names_row": 2}, "names_row: must be one of the 1 header rows, got 2"),
        ({"header_rows": 9}, "no rows of numbers found"),
        ({"delimiter": "tab", "decimal": ".", "header_rows": 9}, "no data row after 9 header"),
    ],
)
def test_layout_messages(write, options, message):
    assert message in only(problems_of(write(SIMPLE), **options))


def test_names_row_without_names(write):
    path = write("time,Cr\n\n1,2\n2,3\n")
    assert only(problems_of(path, names_row=2)) == "names_row: line 2 holds no column names"


def test_several_layout_mistakes_at_once(write):
    assert len(problems_of(write(SIMPLE), delimiter="|", decimal=";", names_row=0, axis="x")) == 4


def test_files_that_cannot_be_read(tmp_path, write, monkeypatch):
    assert only(problems_of(tmp_path / "none.txt")) == "no such file"
    assert only(problems_of(tmp_path)) == "is a directory, not a file"
    assert only(problems_of(write(""))) == "the file is empty"
    assert only(problems_of(write("\ufeff \r\n"))) == "the file is empty"
    assert only(problems_of(write("only words\nand more\n"))).startswith("no rows of numbers found")
    quoted = {"delimiter": "semicolon", "decimal": ",", "header_rows": 0}
    assert only(problems_of(write('#\n"\t'), **quoted)).startswith("no rows of numbers found")
    binary = only(problems_of(write(b"t,A\n1,2\n\x00\x07PNG")))
    assert binary == "line 3 holds the control character '\\x00': not a text file?"
    broken = write("t,A\n1,2\n".encode("utf-16") + b"\x00")
    assert only(problems_of(broken)) == "is not the UTF-16 text it looks like"
    assert "cannot be read" in only(problems_of("a\0b"))
    os.mkfifo(tmp_path / "pipe")
    assert only(problems_of(tmp_path / "pipe")) == "is not a regular file"

    def refuse(*_):
        raise PermissionError

    monkeypatch.setattr(file_access, "open", refuse, raising=False)
    assert only(problems_of(write(SIMPLE))) == "no permission to read it"


def test_path_must_be_a_path():
    with pytest.raises(InputProblems, match="must be given by its path, got 3"):
        read_profile(3)


def test_size_is_bounded(tmp_path, write, monkeypatch):
    large = tmp_path / "large.txt"
    with large.open("wb") as file:
        file.truncate(200_000_001)  # a hole, which takes no space
    assert only(problems_of(large)) == "has 200.0 MB, at most 200 MB are read"
    wide = ",".join(["1"] * 20_001)
    message = "line 2 has more than 20000 columns"
    assert only(problems_of(write(f"{wide}\n{wide}\n"), header_rows=1)) == message
    just = ",".join(["1"] * 20_000)
    table = read_table(write(f"{just}\n{just}\n"))
    assert len(table.names) == 20_000
    monkeypatch.setattr(delimited_text, "MAX_LINES", 3)
    assert only(problems_of(write(SIMPLE))) == "has 4 lines, at most 3 are read"


# --- profiles ----------------------------------------------------------------------------------


def test_defaults(write):
    profile = read_profile(write(SIMPLE))
    assert profile.channels == ["Cr", "Ni"]
    np.testing.assert_array_equal(profile.axis_values, [0.5, 1.0, 1.5])
    np.testing.assert_array_equal(profile.values, [[10, 20, 30], [1, 2, 3]])
    np.testing.assert_array_equal(profile.interval, [0.5, 0.5, 0.5])
    assert not profile.censored.any()
    assert (profile.axis, profile.values_kind) == ("time", "intensity")
    assert profile.notes == [
        'axis taken from the first column, "time"',
        'the column "time" names no unit of time (s, ms, min): read in s',
    ]
    assert profile.source.endswith("profile.txt")


@pytest.mark.parametrize(
    ("axis", "unit", "factor"),
    [
        ("time", "s", 1),
        ("time", "ms", 1e-3),
        ("time", "min", 60),
        ("depth", "nm", 1),
        ("depth", "um", 1000),
        ("depth", "\u00b5m", 1000),
        ("depth", "\u03bcm", 1000),
        ("depth", "A", 0.1),
        ("depth", "\u00c5", 0.1),
        ("depth", "\u212b", 0.1),
    ],
)
def test_axis_units(write, axis, unit, factor):
    profile = read_profile(write(SIMPLE), axis=axis, axis_unit=unit)
    assert profile.axis == axis
    np.testing.assert_allclose(profile.axis_values, np.array([0.5, 1, 1.5]) * factor, rtol=1e-15)
    np.testing.assert_allclose(profile.interval, 0.5 * factor, rtol=1e-14)


@pytest.mark.parametrize(
    ("header", "axis", "factor"),
    [
        ("Time (ms)", "time", 1e-3),
        ("Sputter time [min]", "time", 60.0),
        ("t/s", "time", 1.0),
        ("time ms", "time", 1e-3),
        ("time_ms", "time", 1e-3),
        ("Time (Seconds)", "time", 1.0),
        ("Depth [\u00b5m]", "depth", 1e3),
        ("z / nm", "depth", 1.0),
        ("Depth (\u00c5)", "depth", 0.1),
    ],
)
def test_the_header_names_the_unit(write, header, axis, factor):
    profile = read_profile(write(f"{header}\tB\n1\t5\n2\t6\n"), axis=axis, delimiter="tab")
    assert profile.axis_values == pytest.approx([factor, 2.0 * factor])
    assert not profile.axis_unit_doubt
    assert any("as the column" in note for note in profile.notes) == (factor != 1.0)


@pytest.mark.parametrize("header", ["Data Point #", "Time", "Time (h)", "run A", "Zeit (Start)"])
def test_a_header_without_unit_is_told(write, header):
    profile = read_profile(write(f"{header}\tB\n1\t5\n2\t6\n"), delimiter="tab")
    doubt = f'the column "{header}" names no unit of time (s, ms, min)'
    assert profile.axis_unit_doubt == doubt
    assert f"{doubt}: read in s" in profile.notes


def test_a_unit_that_is_set_decides_and_says_so(write):
    text = "Time (ms)\tB\n1\t5\n2\t6\n"
    profile = read_profile(write(text), axis_unit="s")
    assert profile.axis_values == pytest.approx([1.0, 2.0])
    assert 'the column "Time (ms)" is read in s, as set' in profile.notes


def test_a_unit_of_another_kind_is_refused(write):
    text = "Depth (nm)\tB\n1\t5\n2\t6\n"
    message = r'"Depth \(nm\)" names nm, which is no unit of time'
    with pytest.raises(InputProblems, match=message):
        read_profile(write(text))


@pytest.mark.parametrize(
    ("position", "interval", "middle"),
    [
        # derived: edges half-way between points; edges at the points and the last gap repeated
        ("middle", [1, 1.5, 2], [1, 2, 4]),
        ("start", [1, 2, 2], [1.5, 3, 5]),
        ("end", [1, 1, 2], [0.5, 1.5, 3]),
    ],
)
def test_intervals(write, position, interval, middle):
    profile = read_profile(write("t,A\n1,0\n2,0\n4,0\n"), axis_position=position)
    np.testing.assert_array_equal(profile.axis_values, [1, 2, 4])
    np.testing.assert_array_equal(profile.interval, interval)
    np.testing.assert_array_equal(profile.middle, middle)


def test_rows_left_out_do_not_widen_intervals(write):
    path = write("t,A\n1,0\n2,x\n3,0\nx,0\n5,0\n6,0\n")
    profile = read_profile(path)
    np.testing.assert_array_equal(profile.axis_values, [1, 3, 5, 6])
    np.testing.assert_array_equal(profile.interval, [1, 1, 1, 1])
    alternate = read_profile(write("t,A\n1,0\nx,0\n3,0\nx,0\n5,0\n"))
    np.testing.assert_array_equal(alternate.interval, [2, 2, 2])  # no gap is known: the smallest


def test_columns_by_name_and_number(write):
    path = write("t,I,I\n1,2,3\n2,4,5\n")
    profile = read_profile(path, axis_column=1, columns={"Ni": 3, "Cr": 2})
    assert profile.channels == ["Ni", "Cr"]
    np.testing.assert_array_equal(profile.values, [[3, 5], [2, 4]])


def test_micro_signs_in_names_are_alike(write):
    path = write("Depth [\u03bcm],A\n1,2\n2,3\n")
    profile = read_profile(path, axis_column="Depth [\u00b5m]", axis="depth", axis_unit="um")
    np.testing.assert_array_equal(profile.axis_values, [1000, 2000])


def test_ignore_knows_only_two_wildcards(write):
    """Brackets and exclamation marks stand for themselves."""
    path = write("t;A[1];A1;A / B;*B!;C2\n1;2;3;inf;nan;4\n2;3;4;inf;nan;5\n")
    profile = read_profile(path, ignore=["A[1]", "* / *", "*B!", "C?", "nothing"])
    assert profile.channels == ["A1"]
    assert 'columns ignored (4): "A[1]", "A / B", "*B!", "C2"' in profile.notes
    assert read_profile(path, ignore=["a*", "* / *"]).channels == ["A[1]", "A1", "C2"]


def test_named_columns_win_over_ignore(write):
    profile = read_profile(write(SIMPLE), columns={"Cr": "Cr"}, ignore=["C*"])
    assert profile.channels == ["Cr"]
    assert 'columns not used (1): "Ni"' in profile.notes


def test_columns_without_numbers_are_left_out(write):
    path = write("t;A;ratio;flag\n1;2;nan;ok\n2;3;inf;ok\n")
    profile = read_profile(path)
    assert profile.channels == ["A"]
    assert 'columns without any number left out (2): "ratio", "flag"' in profile.notes


def test_merge(write):
    path = write("t,Ni58,Ni60,Cr\n1,2,3,4\n2,5,6,7\n")
    profile = read_profile(path, merge={"Ni": ["Ni58", "Ni60"]}, saturation={"Ni": 6})
    assert profile.channels == ["Cr", "Ni"]
    np.testing.assert_array_equal(profile.values, [[4, 7], [5, 11]])
    np.testing.assert_array_equal(profile.censored, [[False, False], [False, True]])
    assert 'channel "Ni" is the sum of the columns "Ni58", "Ni60"' in profile.notes
    alone = read_profile(path, columns={}, merge={"Ni": ["Ni58", 3]})
    assert alone.channels == ["Ni"]


def test_saturation_includes_the_limit(write):
    profile = read_profile(write(SIMPLE), saturation={"Cr": 20})
    np.testing.assert_array_equal(profile.censored, [[False, True, True], [False] * 3])
    np.testing.assert_array_equal(profile.values[0], [10, 20, 30])  # the reading is kept


def test_cells_that_are_no_numbers_drop_the_row_and_say_so(write):
    text = "t;A;B\n1;2;3\n2;?;4\n3;4;\n4;5;nan\nx;6;7\n6;7;8;9\n7;8;-inf\n8;9;x\n9;1;2\n"
    profile = read_profile(
        write(text), columns={"A": "A", "B": "B"}, axis_column="t", axis_unit="s"
    )
    np.testing.assert_array_equal(profile.axis_values, [1, 9])
    assert profile.notes == [
        'line 3 left out: column "A" (number 2) holds "?"',
        'line 4 left out: column "B" (number 3) holds nothing',
        'line 5 left out: column "B" (number 3) holds "nan"',
        'line 6 left out: column "t" (number 1) holds "x"',
        "line 7 left out: it has 4 cells for 3 columns",
        'line 8 left out: column "B" (number 3) holds "-inf"',
        'line 9 left out: column "B" (number 3) holds "x"',
    ]
    unused = read_profile(write(text), columns={"A": "A"})
    np.testing.assert_array_equal(unused.axis_values, [1, 3, 4, 7, 8, 9])


def test_many_unusable_rows_are_summed_up(write):
    rows = "".join(f"{i},{'x' if 2 < i < 18 else 1}\n" for i in range(30))
    notes = read_profile(write("t,A\n" + rows), axis_unit="s").notes
    assert len(notes) == 12
    assert notes[-1] == "more rows left out for such reasons: 5"


def test_sums_that_overflow_are_no_readings(write):
    path = write("t,A,B\n1,1,1\n2,1e308,1e308\n3,1,1\n")
    profile = read_profile(path, merge={"A": ["A", "B"]})
    assert "line 3 left out: a number is too large" in profile.notes


def test_partial_last_row(write):
    path = write("t,A,B\n1,2,3\n2,3,4\n3,4\n")
    profile = read_profile(path, columns={"A": "A"})  # its cells may be cut, too
    np.testing.assert_array_equal(profile.axis_values, [1, 2])
    assert "line 4, the last row, left out: it breaks off at cell 2" in profile.notes
    always_short = read_profile(write("t,A,B\n1,2,3\n2,3\n3,4\n"), columns={"A": "A"})
    np.testing.assert_array_equal(always_short.axis_values, [1, 2, 3])


def test_drop_last_rows(write):
    profile = read_profile(write(SIMPLE), drop_last_rows=1)
    np.testing.assert_array_equal(profile.axis_values, [0.5, 1.0])
    assert "rows left out at the end, as set: 1" in profile.notes
    for count in (2, 3, 9):
        messages = problems_of(write(SIMPLE), drop_last_rows=count)
        assert messages[0] == "fewer than two rows are usable"


def test_fractions(write):
    path = write("d,Cr,Ni\n1,40,60\n2,70,30\n")
    options = {"axis": "depth", "axis_unit": "nm", "values": "atomic fraction"}
    profile = read_profile(path, value_unit="%", **options)
    np.testing.assert_array_equal(profile.values, [[0.4, 0.7], [0.6, 0.3]])
    messages = problems_of(path, **options)
    assert messages == [
        f'channel "{channel}" reaches {most}, too much for a fraction:'
        ' if the file has per cent, set value_unit = "%"'
        for channel, most in (("Cr", 70), ("Ni", 60))
    ]


def test_mass_and_atomic_fractions(write):
    # Al2O3, derived from the IUPAC standard atomic weights 26.982 and 15.999 (CIAAW):
    # w_Al = 2 * 26.982 / (2 * 26.982 + 3 * 15.999) = 0.52926; the second row is twice as little.
    path = write("d,Al line,O line\n1,52.926,47.074\n2,26.463,23.537\n")
    profile = read_profile(
        path,
        axis="depth",
        axis_unit="nm",
        values="mass fraction",
        value_unit="%",
        elements={"Al line": "Al", "O line": "O"},
    )
    atomic = profile.to_atomic_fractions()
    assert atomic.values_kind == "atomic fraction"
    np.testing.assert_allclose(atomic.values, [[0.4, 0.4], [0.6, 0.6]], atol=2e-5)
    assert atomic.notes[-1] == (
        "mass fractions, which add up to 0.5 to 1, converted to atomic fractions, which add up to 1"
    )
    back = atomic.to_mass_fractions()
    np.testing.assert_allclose(back.values[:, 0], profile.values[:, 0], rtol=1e-14)
    assert atomic.to_atomic_fractions() is atomic
    assert profile.to_mass_fractions() is profile


@pytest.mark.parametrize(
    ("elements", "values", "message"),
    [
        ({"Cr": "Cr"}, "mass fraction", 'elements: channel "Ni" has no element'),
        ({"Cr": "Cr", "Ni": "Cr"}, "mass fraction", "elements: 2 channels hold the element Cr"),
        ({}, "intensity", "intensities cannot be converted to fractions without a calibration"),
        ({"Cr": "Cr", "Ni": "Ni"}, "mass fraction", "time 2 s: the fractions add up to no more"),
    ],
)
def test_conversion_messages(write, elements, values, message):
    path = write("t,Cr,Ni\n1,0.5,0.5\n2,0,-0.1\n")
    profile = read_profile(path, values=values, elements=elements)
    with pytest.raises(InputProblems, match=message):
        profile.to_atomic_fractions()


def test_to_dataset(write, tmp_path):
    import xarray as xr

    profile = read_profile(write(SIMPLE), axis_position="start", saturation={"Cr": 25})
    dataset = profile.to_dataset()
    assert dataset.intensity.dims == ("channel", "time")
    np.testing.assert_array_equal(dataset.time, [0.75, 1.25, 1.75])
    np.testing.assert_array_equal(dataset.intensity.sel(channel="Ni"), [1, 2, 3])
    assert dataset.time.attrs["units"] == "s"
    assert all(v.attrs["units"] and v.attrs["long_name"] for v in dataset.variables.values())
    assert dataset.attrs["source"] == profile.source
    assert dataset.attrs["notes"] == "\n".join(profile.notes)
    dataset.to_netcdf(tmp_path / "profile.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "profile.nc", engine="h5netcdf") as stored:
        xr.testing.assert_identical(stored.load(), dataset)
    fractions = read_profile(
        write("d,A\n1,0.5\n2,1\n"), axis="depth", axis_unit="nm", values="mass fraction"
    ).to_dataset()
    assert fractions.mass_fraction.dims == ("channel", "depth")
    assert fractions.depth.attrs["units"] == "nm"


# --- messages ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"axis": "tiem"}, 'axis: must be "time" or "depth", got "tiem"'),
        ({"axis_unit": "h"}, 'axis_unit of a time axis: must be "s", "ms" or "min", got "h"'),
        ({"axis": "depth", "axis_unit": "s"}, "axis_unit of a depth axis: must be"),
        ({"axis_position": 0}, 'axis_position: must be "start", "middle" or "end", got 0'),
        ({"values": "counts"}, 'values: must be "intensity", "atomic fraction" or'),
        ({"value_unit": "%"}, 'value_unit: "%" is for fractions, but values is "intensity"'),
        ({"value_unit": "ppm"}, 'value_unit: must be "1" or "%", got "ppm"'),
        ({"drop_last_rows": -1}, "drop_last_rows: must be a whole number >= 0, got -1"),
        ({"columns": ["Cr"]}, "columns: must be a table by channel, got"),
        ({"columns": {"Cr": 1.5}}, 'columns["Cr"]: must be a column header or number, got 1.5'),
        ({"columns": {" ": "Cr"}}, 'columns: a channel name must be a text, got " "'),
        ({"merge": {"A": "Cr"}}, 'merge["A"]: must be a list of columns, got "Cr"'),
        ({"merge": {"A": []}}, 'merge["A"]: must be a list of columns, got []'),
        ({"axis_column": 1.0}, "axis_column: must be a column header or number, got 1"),
        ({"ignore": "C*"}, 'ignore: must be a list of column names or patterns, got "C*"'),
        ({"ignore": 3}, "ignore: must be a list of column names or patterns, got 3"),
        ({"saturation": {"Cr": 0}}, 'saturation["Cr"]: must be a number > 0, got 0'),
        ({"saturation": {"Cr": float("nan")}}, 'saturation["Cr"]: must be a number > 0, got nan'),
        ({"saturation": {3: 5}}, "saturation: a channel name must be a text, got 3"),
        ({"saturation": 5}, "saturation: must be a table by channel, got 5"),
        (
            {"saturation": {"Crr": 5}},
            'saturation: no channel "Crr"; did you mean Cr?; the channels',
        ),
        ({"elements": {"Cr": "Xx"}}, "elements[\"Cr\"]: unknown element 'Xx'"),
        ({"elements": {"Fe": "Fe"}}, 'elements: no channel "Fe"; the channels are "Cr", "Ni"'),
        ({"axis_column": "Time"}, 'axis_column: no column "Time"; did you mean time?'),
        ({"columns": {"A": "Cu"}}, 'the columns are "time", "Cr", "Ni"'),
        ({"columns": {"A": 4}}, 'columns["A"]: column number must be 1 to 3, got 4'),
        ({"columns": {"A": 0}}, 'columns["A"]: column number must be 1 to 3, got 0'),
        ({"columns": {"A": 2, "B": "Cr"}}, 'column "Cr" (number 2) serves 2 times'),
        ({"columns": {"A": "time"}}, 'column "time" (number 1) serves 2 times'),
        ({"columns": {"A": 2}, "merge": {"A": [3]}}, 'merge["A"]: is a channel already'),
        ({"ignore": ["*"]}, "no channel: no column is left"),
    ],
)
def test_setting_messages(write, options, message):
    messages = problems_of(write(SIMPLE), **options)
    assert any(message in found for found in messages), messages


def test_all_mistakes_at_once(write):
    messages = problems_of(
        write(SIMPLE),
        axis_unit="h",
        axis_column="x",
        columns={"A": "y"},
        saturation={"B": 1},
        elements={"A": "Xx"},
    )
    assert len(messages) == 5


def test_repeated_names(write):
    path = write("t,I,I\n1,2,3\n2,4,5\n")
    chosen = only(problems_of(path, columns={"Cr": "I"}))
    assert chosen == 'columns["Cr"]: 2 columns are named "I": 2, 3; give a number'
    assert only(problems_of(path)).startswith('2 columns are named "I": 2, 3; set names_row')


def test_axis_must_increase(write):
    path = write("t,A\n1,1\n2,1\n2,1\n1.5,1\n3,1\n")
    assert problems_of(path) == [
        'line 4, column "t": the axis must increase, but "2" repeats "2"',
        'line 5, column "t": the axis must increase, but "1.5" falls back behind "2"',
    ]
    falling = problems_of(write("t,A\n" + "".join(f"{-i},1\n" for i in range(30))))
    assert len(falling) == 11
    assert falling[-1] == "more such places: 19"


def test_too_few_rows(write):
    messages = problems_of(write("t,A\n1,2\n2,x\n"), columns={"A": "A"})
    assert messages == [
        "fewer than two rows are usable",
        'line 3 left out: column "A" (number 2) holds "x"',
    ]
    assert "fewer than two rows are usable" in problems_of(write("t,A\nx,2\n2,3\ny,4\n"))[0]


def test_axis_out_of_range(write):
    limits = "they must be from 1e-09 to 1e+09 s"
    for first, last, steps in (
        ("-1.7e308", "1.7e308", "inf to inf"),
        ("1e-300", "2e-300", "1e-300 to 1e-300"),
    ):
        message = f"the axis has steps of {steps} s; {limits}"
        assert only(problems_of(write(f"t,A\n{first},2\n{last},3\n"))) == message
    late = only(problems_of(write("t,A\n1e12,2\n1.000001e12,3\n")))
    assert late == "the axis reaches 1e+12 s, at most 1e+09 s are read"


def test_import_is_light():
    code = (
        "import sys, craterfront.measured_files.measured;"
        "print([m for m in ('scipy', 'pandas', 'xarray', 'matplotlib', 'numba')"
        " if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# --- real files --------------------------------------------------------------------------------
# Facts from the SOURCE.txt beside each file.

COUNTS = {
    "delimiter": "tab",
    "decimal": ".",
    "header_rows": 4,
    "names_row": 2,
    "axis_column": "Sputter Time (s)",
    "axis_position": "start",
    "drop_last_rows": 1,
}
SUMS_AND_RATIOS = ["Data Point #", "Dose*", "Fluence*", "total", "* / *", "?*-?*-"]
DEVICES = ["I241209p_A_MAPI_1f-1nA_neg-B4_NF.txt", "I241209zb_C_MAPI-dev_1f-1nA_neg-B3_NF.txt"]


def test_buried_monolayer():
    """800 points of 0.1 s; the peak of PO_3- at 20.5 s, with a width of 3.9 s at half height."""
    profile = read_profile(
        DATA / "tofsims-sam-delta" / "I231020y_I_SAM-DIR-CH_01s_neg-1_NF.txt",
        columns={"phosphonate": "PO_3-", "ITO": "InO_2-", "I2": "I_2-", "iodide": "I-"},
        saturation={"iodide": 9.5e4},
        **COUNTS,
    )
    time, delta = profile.axis_values, profile.values[0]
    assert profile.values.shape == (4, 800)
    np.testing.assert_allclose(profile.interval, 0.1, rtol=1e-9)
    assert time[delta.argmax()] == pytest.approx(20.5, abs=0.05)
    above = np.flatnonzero(delta >= delta.max() / 2)
    assert time[above[-1]] + 0.1 - time[above[0]] == pytest.approx(3.9, abs=0.1)
    # the ceiling is about 1e5 counts a point; strong signals of the perovskite reach it, above ITO
    assert profile.values[3].max() == pytest.approx(1e5, rel=0.01)
    assert profile.censored[3][time < 10].mean() > 0.9
    assert not profile.censored[3][time > 30].any()
    assert not profile.censored[:3].any()
    assert "rows left out at the end, as set: 1" in profile.notes


@pytest.mark.parametrize("name", DEVICES)
def test_perovskite_devices(name):
    """164 usable points of 1.467 s; 2.65e12 ions/cm2/s."""
    path = DATA / "tofsims-mapi-device" / name
    profile = read_profile(path, columns={"fluence": "Fluence (ions/cm^2)"}, **COUNTS)
    assert profile.values.shape == (1, 164)
    np.testing.assert_allclose(profile.interval, 1.467, atol=1e-3)
    rate = np.diff(profile.values[0, [0, -1]]) / np.diff(profile.axis_values[[0, -1]])
    np.testing.assert_allclose(rate, 2.65e12, rtol=0.02)


@pytest.mark.parametrize("name", DEVICES)
def test_sums_and_ratios_are_left_out_by_pattern(name):
    path = DATA / "tofsims-mapi-device" / name
    profile = read_profile(path, ignore=SUMS_AND_RATIOS, **COUNTS)
    assert {"PO_3-", "InO_2-", "I_2-", "PbI_3-", "^206PbI_3-"} <= set(profile.channels)
    # the third header line gives a mass to every signal and "N/A" to sums, ratios and the total
    header = path.read_text().split("\n")[:3]
    signals = zip(header[1].split("\t"), header[2].split("\t"), strict=True)
    assert profile.channels == [name for name, mass in signals if "." in mass]
    assert profile.values.shape[1] == 164


def test_device_layers():
    """Spiro-OMeTAD until 40 s, perovskite until 153 s, phosphonate at about 150 s, then ITO."""
    profile = read_profile(
        DATA / "tofsims-mapi-device" / DEVICES[1],
        columns={name: name for name in ("PO_3-", "InO_2-", "I_2-", "C_9-", "PbI_3-")},
        saturation={"PbI_3-": 9e4},
        **COUNTS,
    )
    time = profile.axis_values
    signal = dict(zip(profile.channels, profile.values, strict=True))
    inside = (time > 60) & (time < 140)
    late = time > 40  # the free surface has phosphonate, too
    assert time[late][signal["PO_3-"][late].argmax()] == pytest.approx(150, abs=5)
    for name, start, end in (("C_9-", 0, 40), ("InO_2-", 153, 240)):
        layer = (time > start + 5) & (time < end - 5)
        assert np.median(signal[name][layer]) > 10 * np.median(signal[name][inside])
    perovskite = np.median(signal["I_2-"][inside])
    edges = time[signal["I_2-"] > perovskite / 2][[0, -1]]
    np.testing.assert_allclose(edges, [40, 153], atol=5)
    # PbI_3- is near the ceiling of the detector, at 9.3e4, and nowhere but in the perovskite
    assert profile.censored[4][inside].all()
    assert not profile.censored[4][(time < 35) | (time > 158)].any()


def test_layout_of_the_real_files_is_found_without_settings():
    for path in sorted(DATA.glob("tofsims-*/I*.txt")):
        table = read_table(path)
        assert (table.delimiter, table.decimal, table.line_numbers[0]) == ("tab", ".", 5)
        assert table.names[1] == "Sputter Time (s)"
        assert "PO_3-" in table.names
    table = read_table(DATA / "gdoes-sb2se3" / "sample_gdoes.txt")
    assert (table.delimiter, table.decimal, table.line_numbers[0]) == ("tab", ".", 3)


GLOW = {
    "delimiter": "tab",
    "decimal": ".",
    "header_rows": 2,
    "names_row": 2,
    "axis": "depth",
    "axis_column": "Depth [um]",
    "axis_unit": "um",
    "values": "atomic fraction",
    "value_unit": "%",
    "ignore": ["*Se/Sb!"],
}


def test_glow_discharge_profile():
    """2104 points of 11 elements to 1.94 um, steps of 0.1 to 3.9 nm, already in mol %."""
    options = GLOW | {"axis_column": "Depth [\u03bcm]"}
    profile = read_profile(DATA / "gdoes-sb2se3" / "sample_gdoes.txt", **options)
    depth = profile.axis_values
    assert profile.channels == [
        *("C 166", "Se 196", "Sb 207", "Mo 386", "Na 589", "Zn 330"),
        *("Al 396", "Si 288", "Cd 228", "S 181", "O 777"),
    ]
    assert profile.values.shape == (11, 2104)
    assert depth[-1] == pytest.approx(1940, abs=5)
    steps = np.diff(depth)
    np.testing.assert_allclose([steps.min(), steps.max()], [0.1, 3.9], atol=1e-6)
    # rows sum to 100 +- 1.3 %, where 1.3 % is the standard deviation
    sums = profile.values.sum(axis=0)
    assert sums.mean() == pytest.approx(1, abs=1e-3)
    assert sums.std() == pytest.approx(0.013, abs=5e-4)
    value = dict(zip(profile.channels, profile.values, strict=True))
    rise = depth[np.argmax(value["Mo 386"] >= 0.5 * value["Mo 386"].max())]
    assert rise == pytest.approx(1100, abs=10)
    top = np.median(value["Zn 330"][depth < 200])
    assert depth[np.flatnonzero(value["Zn 330"] > top / 2)[-1]] == pytest.approx(370, abs=10)


def test_glow_discharge_profile_by_mass():
    symbols = {name: name.split()[0] for name in ("Se 196", "Sb 207", "Mo 386", "Zn 330")}
    options = {key: value for key, value in GLOW.items() if key != "ignore"}
    profile = read_profile(
        DATA / "gdoes-sb2se3" / "sample_gdoes.txt",
        **options | {"axis_column": 1, "columns": {name: name for name in symbols}},
        elements=symbols,
    )
    mass = profile.to_mass_fractions()
    np.testing.assert_allclose(mass.values.sum(axis=0), 1, rtol=1e-12)
    back = mass.to_atomic_fractions().values
    np.testing.assert_allclose(back, profile.values / profile.values.sum(axis=0), rtol=1e-12)


# --- random files ------------------------------------------------------------------------------

NANS = st.sampled_from(["nan", "-nan(ind)", "1.#QNAN", "NaN", "inf", "-Inf", "", "1.#IND00"])
NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=64).filter(
    lambda number: abs(number) < LARGEST_VALUE
)
NAMES = st.lists(
    st.text(st.sampled_from("ABCxyz[]*?^+-_/()µÅ"), min_size=1, max_size=8),
    min_size=2,
    max_size=5,
    unique=True,
).filter(lambda names: "//" not in "".join(names))
LAYOUTS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from(["tab", "semicolon", "comma", "blanks"]),
        "decimal": st.sampled_from([".", ","]),
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"]),
        "newline": st.sampled_from(["\n", "\r\n", "\r"]),
        "title": st.sampled_from(["", "# made by hand", "a title", "\n"]),
        "comment": st.sampled_from(["", "# "]),
        "blank_end": st.booleans(),
    }
).filter(lambda layout: (layout["delimiter"], layout["decimal"]) != ("comma", ","))
LIMITS = settings(
    max_examples=100, deadline=2000, suppress_health_check=[HealthCheck.too_slow], database=None
)


def as_text(layout, names, rows):
    """A table as text, and the number of its header lines."""
    delimiter = delimited_text.DELIMITERS[layout["delimiter"]]
    if layout["delimiter"] == "blanks":
        rows = [[cell or "nan" for cell in row] for row in rows]
    rows = [[cell.replace(".", layout["decimal"]) for cell in row] for row in rows]
    end = delimiter if layout["blank_end"] else ""
    lines = [delimiter.join(row) + end for row in [names, *rows]]
    lines[0] = layout["comment"] + lines[0]
    title = [layout["title"]] if layout["title"] else []
    text = layout["newline"].join([*title, *lines, ""])
    return text, 1 + (text.index(lines[0]) > 0) + layout["title"].count("\n")


@st.composite
def tables(draw):
    """Names, an increasing axis, numbers (channel, row), and a column of spellings of nan."""
    names = draw(NAMES.filter(lambda names: unit_in_header(names[0]) is None))
    count = draw(st.integers(2, 8))
    axis = np.cumsum(draw(st.lists(st.floats(0.01, 100), min_size=count, max_size=count)))
    values = [draw(st.lists(NUMBERS, min_size=count, max_size=count)) for _ in names[1:]]
    spellings = draw(st.lists(NANS, min_size=count, max_size=count))
    return names, axis, np.array(values), spellings


def is_utf_8(raw):
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


@LIMITS
@given(layout=LAYOUTS, table=tables(), explicit=st.booleans())
def test_written_tables_are_read_back_exactly(tmp_path_factory, layout, table, explicit):
    names, axis, values, spellings = table
    columns = [list(map(repr, column.tolist())) for column in (axis, *values)]
    # the column of nan stands before the last, so that its blank cells do not shorten rows
    columns.insert(-1, spellings)
    headers = [*names[:-1], "ratio", names[-1]]
    text, header_rows = as_text(layout, headers, list(zip(*columns, strict=True)))
    path = tmp_path_factory.getbasetemp() / "table.txt"
    raw = text.encode(layout["encoding"])
    # "Åµ" in Latin-1 has the bytes of another letter in UTF-8, and nothing tells which is meant.
    assume(layout["encoding"] != "latin-1" or text.isascii() or not is_utf_8(raw))
    path.write_bytes(raw)
    options = {}
    if explicit:
        options = {key: layout[key] for key in ("delimiter", "decimal")}
        options |= {"header_rows": header_rows, "names_row": header_rows}
    profile = read_profile(path, axis_column=names[0], ignore=["ratio"], **options)
    assert profile.channels == names[1:]
    np.testing.assert_array_equal(profile.axis_values, axis)
    np.testing.assert_array_equal(profile.values, values)


OPTIONS = st.fixed_dictionaries(
    {},
    optional={
        "delimiter": st.sampled_from([None, "tab", ";", "comma", "blanks"]),
        "decimal": st.sampled_from([None, ".", ","]),
        "header_rows": st.integers(0, 4),
        "names_row": st.integers(1, 4),
        "axis_column": st.sampled_from([None, 1, 2, "time", "x"]),
        "axis_position": st.sampled_from(["start", "middle", "end"]),
        "columns": st.sampled_from([None, {"A": 2}, {"A": "Cr", "B": 3}]),
        "merge": st.sampled_from([None, {"M": [2, 3]}]),
        "ignore": st.sampled_from([(), ["*e*"], ["**?*[*"]]),
        "drop_last_rows": st.integers(0, 3),
        "values": st.sampled_from(["intensity", "mass fraction"]),
    },
)


def read_or_refuse(path, content, options):
    """Read what may be anything: a profile that holds together, or InputProblems."""
    path.write_bytes(content)
    try:
        profile = read_profile(path, **options)
    except InputProblems:
        return
    assert profile.values.shape == profile.censored.shape
    assert profile.values.shape == (len(profile.channels), len(profile.axis_values))
    assert np.isfinite(profile.values).all()
    assert (np.diff(profile.axis_values) > 0).all()
    assert (profile.interval > 0).all()
    assert profile.to_dataset().sizes[profile.axis] == len(profile.axis_values)


@LIMITS
@given(content=st.binary(max_size=400), options=OPTIONS)
def test_random_bytes(tmp_path_factory, content, options):
    read_or_refuse(tmp_path_factory.getbasetemp() / "bytes.txt", content, options)


@LIMITS
@given(
    text=st.text(
        st.sampled_from('0123456789.,;:-+eE\t \n\r#"%!/nafiNIQD_()\u00b5\u0661x'), max_size=200
    ),
    options=OPTIONS,
)
def test_random_text(tmp_path_factory, text, options):
    read_or_refuse(tmp_path_factory.getbasetemp() / "text.txt", text.encode(), options)


@LIMITS
@given(
    edits=st.lists(
        st.tuples(st.integers(0, 120), st.integers(0, 6), st.binary(max_size=4)), max_size=8
    ),
    options=OPTIONS,
)
def test_mutated_files(tmp_path_factory, edits, options):
    content = b"\xef\xbb\xbf# title\r\ntime;Cr;Ni;\r\n" + b"".join(
        b"%d,5;%d,25;1e%d;\r\n" % (i, 3 * i, i) for i in range(8)
    )
    for start, length, insert in edits:
        content = content[:start] + insert + content[start + length :]
    read_or_refuse(tmp_path_factory.getbasetemp() / "mutated.txt", content, options)


@pytest.mark.parametrize(
    "content",
    [
        b"9" * 3_000_000,
        b"1;" * 1_000_000,
        b'"' * 1_000_000 + b"\n1,2\n2,3\n",
        b"1,2\n" * 100_000,
        b"\n" * 1_000_000 + b"1,2\n2,3\n",
        b"nan(" * 500_000 + b",1\n2,3\n3,4\n",
        b"a*" * 200_000 + b",b\n1,2\n2,3\n",
    ],
    ids=["digits", "wide", "quotes", "repeats", "blank lines", "brackets", "stars"],
)
def test_large_nonsense_ends_soon(tmp_path, content):
    """Half a second on one core; what grows with the square of the size would take minutes."""
    import time

    start = time.perf_counter()
    read_or_refuse(tmp_path / "large.txt", content, {"ignore": ["*a*a*a*a*a*b"]})
    assert time.perf_counter() - start < 10
