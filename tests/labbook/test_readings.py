"""Bad input: what is wrong with a burn file, and the whole message the maker gets for it."""

import pandas as pd
import pytest

from testburn import labbook

ADD_COLUMN = "Add the column; the lab book's datapackage.json says what goes in it."
SAVE_AS = "Save the file as 'CSV UTF-8 (comma separated)'."
NO_SEMICOLONS = "Save it as CSV with commas between columns and points in numbers."
NO_COMMA = "Write numbers with a point (0.45): a comma starts a new cell."
MEASURE = "Measure again from the face to the floor of the recess, in mm."


def cell(place, column, value):
    """Put a value into a cell; place 0 is the first reading, which a spreadsheet shows as row 2."""
    def edit(rows):
        rows[place][column] = value
        return rows
    return edit


def without(column):
    return lambda rows: [{k: v for k, v in row.items() if k != column} for row in rows]


def as_bytes(change):
    """A fault of the file rather than of a reading: change its bytes."""
    change.of_bytes = True
    return change


# name: what was done to a sound burn, and what the message says after "file, ".
FAULTS = {
    "missing column": (
        without("speed_mm_s"),
        ["row 1, column speed_mm_s: this column is missing. " + ADD_COLUMN]),
    "column named twice": (
        as_bytes(lambda content: content.replace(b",note", b",board")),
        ["row 1, column board, value 'board': the header names this column twice. "
         "Keep one of the two columns."]),
    "text in a number": (
        cell(1, "depth_mm", "deep"),
        ["row 3, column depth_mm, value 'deep': this is not a number. " + MEASURE]),
    "empty cell": (
        cell(1, "depth_mm", ""),
        ["row 3, column depth_mm: this cell is empty. " + MEASURE]),
    "negative speed": (
        lambda rows: [row | {"speed_mm_s": "-60"} for row in rows[:1]],
        ["row 2, column speed_mm_s, value '-60': allowed is at least 0.001 and at most 100000 mm/s. "
         "Use the set speed in mm/s (mm/min divided by 60)."]),
    "zero speed": (
        lambda rows: [row | {"speed_mm_s": "0"} for row in rows[:1]],
        ["row 2, column speed_mm_s, value '0': allowed is at least 0.001 and at most 100000 mm/s. "
         "Use the set speed in mm/s (mm/min divided by 60)."]),
    "power over 100": (
        lambda rows: [row | {"power_pct": "110"} for row in rows[:1]],
        ["row 2, column power_pct, value '110': allowed is at least 0.01 and at most 100 %. "
         "Use the set power in percent."]),
    "negative depth": (
        cell(2, "depth_mm", "-0.1"),
        ["row 4, column depth_mm, value '-0.1': allowed is at least 0 and at most 1000 mm. " + MEASURE]),
    "half a pass": (
        lambda rows: [row | {"passes": "1.5"} for row in rows[:1]],
        ["row 2, column passes, value '1.5': this is not a whole number. "
         "Use a whole number, 1 or more."]),
    "air neither on nor off": (
        lambda rows: [row | {"air_assist": "maybe"} for row in rows[:1]],
        ["row 2, column air_assist, value 'maybe': allowed is one of on, off. "
         "Write on, off, or leave the cell empty."]),
    "unknown species": (
        lambda rows: [row | {"species": "ironwood"} for row in rows[:1]],
        ["row 2, column species, value 'ironwood': this wood is not in woods.csv. "
         "Use a wood of woods.csv, or add this one there."]),
    "duplicate reading": (
        cell(1, "reading", "1"),
        ["row 3, column reading, value '1': burn {burn}, swatch 1 already has it. "
         "Give it the next number, or remove the row that is a copy."]),
    "depth over board thickness": (
        cell(1, "depth_mm", "19.5"),
        ["row 3, column depth_mm, value '19.5': the depth is not less than the board's 19 mm. "
         "Check both; a burn right through the board has no depth."]),
    "depth equal to board thickness": (
        cell(1, "depth_mm", "19"),
        ["row 3, column depth_mm, value '19': the depth is not less than the board's 19 mm. "
         "Check both; a burn right through the board has no depth."]),
    "day the other way round": (
        lambda rows: [row | {"burned_on": "14/03/2026"} for row in rows[:1]],
        ["row 2, column burned_on, value '14/03/2026': this is not a day. "
         "Write the day as year-month-day, e.g. 2026-03-14."]),
    "30 February": (
        lambda rows: [row | {"burned_on": "2026-02-30"} for row in rows[:1]],
        ["row 2, column burned_on, value '2026-02-30': this is not a day. "
         "Write the day as year-month-day, e.g. 2026-03-14."]),
    "empty file": (
        as_bytes(lambda content: b""),
        ["the file is empty. Enter the burn's readings, or remove the file."]),
    "only blank rows": (
        as_bytes(lambda content: b",,,\r\n,,,\r\n"),
        ["the file is empty. Enter the burn's readings, or remove the file."]),
    "header without a reading": (
        as_bytes(lambda content: content.splitlines(True)[0]),
        ["the file is empty. Enter the burn's readings, or remove the file."]),
    "semicolons": (
        as_bytes(lambda content: content.replace(b".", b"|").replace(b",", b";").replace(b"|", b",")),
        ["row 1, value 'burn;burned_on;species;board;module_w;wavelength_nm;power_pc': the columns "
         "are separated by semicolons, not by commas. " + NO_SEMICOLONS]),
    "tabs": (
        as_bytes(lambda content: content.replace(b",", b"\t")),
        [r"row 1, value 'burn\tburned_on\tspecies\tboard\tmodule_w\twavelength_nm\tpower_pc': the "
         "columns are separated by tabs, not by commas. " + NO_SEMICOLONS]),
    "decimal comma, quoted": (
        cell(1, "depth_mm", "1,27"),
        ["row 3, column depth_mm, value '1,27': this number has a decimal comma. "
         "Write it with a point: 1.27."]),
    "decimal comma, not quoted": (
        as_bytes(lambda content: content.replace(b",1.27,", b",1,27,").replace(b",\r\n", b",x\r\n")),
        ["row 3, value '{burn},2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,2,1,27,…': "
         "the row has 17 cells, the header 16. " + NO_COMMA]),
    "decimal comma, not quoted, in front of an empty note": (
        as_bytes(lambda content: content.replace(b",board_thickness_mm", b"").replace(b",19,", b",")
                 .replace(b",1.27,", b",1,1,")),
        ["row 3, value '{burn},2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,2,1,1,0…': "
         "the row has 16 cells, the header 15. " + NO_COMMA]),
    "Windows-1252": (
        as_bytes(lambda content: content.replace(b",19,\r\n", b",19,dunkle Stelle f\xfcnf\r\n", 1)),
        ["row 2, column note, value 'dunkle Stelle fünf': this cell is not UTF-8 (it looks like "
         "Windows-1252). " + SAVE_AS]),
    "UTF-16": (
        as_bytes(lambda content: content.decode().encode("utf-16")),
        ["the file is UTF-16, not UTF-8. " + SAVE_AS]),
    "NUL byte": (
        as_bytes(lambda content: content.replace(b"1.27", b"1.2\0")),
        ["row 3, value 'NUL byte': the file holds bytes that are not text. " + SAVE_AS]),
    "quote left open": (
        as_bytes(lambda content: content.replace(b",19,\r\n", b',19,"oops\r\n', 1)),
        ["this is not CSV: unexpected end of data. Save it again as CSV (comma separated, UTF-8)."]),
    "swatch that changes its speed": (
        cell(1, "speed_mm_s", "75"),
        ["row 3, column speed_mm_s, value '75': swatch 1 began with 60. "
         "One swatch has one setting: correct the row, or use a new swatch id."]),
    "swatch that changes its day": (
        cell(1, "burned_on", "2026-03-15"),
        ["row 3, column burned_on, value '2026-03-15': swatch 1 began with 2026-03-14. "
         "One swatch has one setting: correct the row, or use a new swatch id."]),
    "burn of another file": (
        cell(3, "burn", "elsewhere"),
        ["row 5, column burn, value 'elsewhere': the file's name says {burn}. "
         "Use the file's name without .csv."]),
    "three faults in one row": (
        lambda rows: [row | {"depth_mm": "x", "power_pct": "0", "species": ""} for row in rows[:1]],
        ["row 2, column depth_mm, value 'x': this is not a number. " + MEASURE,
         "row 2, column power_pct, value '0': allowed is at least 0.01 and at most 100 %. "
         "Use the set power in percent.",
         "row 2, column species: this cell is empty. "
         "Use a wood of woods.csv, or add this one there."]),
}


def write_fault(folder, burn, edit, sound, as_csv):
    """Write a sound burn with one thing done to it, and return the lines its message needs."""
    if getattr(edit, "of_bytes", False):
        content = edit(as_csv(sound(burn)).encode("utf-8"))
    else:
        content = as_csv(edit(sound(burn))).encode("utf-8")
    (folder / f"{burn}.csv").write_bytes(content)


def expected(faults):
    """The whole message for (burn, lines) pairs; a fault of the file as a whole names no row."""
    lines = [f"  {burn}.csv{', ' if line.startswith('row ') else ': '}{line.format(burn=burn)}"
             for burn, said in faults for line in said]
    return f"{len(lines)} fault{'s' * (len(lines) > 1)} in the readings:\n" + "\n".join(lines)


def message(path):
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.read(path)
    return str(caught.value)


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_with_file_row_column_value_and_remedy(name, book, sound, as_csv):
    edit, said = FAULTS[name]
    write_fault(book / "burns", "b01", edit, sound, as_csv)
    assert message(book) == expected([("b01", said)])


def test_every_fault_of_a_folder_is_said_in_one_go(book, sound, as_csv):
    faults = []
    for number, (edit, said) in enumerate(FAULTS.values(), start=10):
        write_fault(book / "burns", f"b{number}", edit, sound, as_csv)
        faults.append((f"b{number}", said))
    assert message(book) == expected(faults)


def test_the_faults_are_also_a_table(book, sound, as_csv):
    write_fault(book / "burns", "b01", FAULTS["three faults in one row"][0], sound, as_csv)
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.read(book)
    problems = caught.value.problems
    assert list(problems.columns) == ["file", "row", "column", "value", "problem", "remedy"]
    assert problems[["file", "row", "column", "value"]].values.tolist() == [
        ["b01.csv", 2, "depth_mm", "x"], ["b01.csv", 2, "power_pct", "0"], ["b01.csv", 2, "species", ""]]


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-inf", "Infinity", "1_000", "0x1F", "１.２",
                                  "١", "1e400", "True", "1 000", "1.2.3", "--1", "1,000.5", "12mm"])
def test_what_is_not_a_plain_number_is_refused(text, book, sound, as_csv):
    write_fault(book / "burns", "b01", cell(0, "depth_mm", text), sound, as_csv)
    assert message(book) == expected([("b01", [
        f"row 2, column depth_mm, value {text!r}: this is not a number. {MEASURE}"])])


@pytest.mark.parametrize(("text", "value"), [("1.5", 1.5), (" 1.5 ", 1.5), ("+1.5", 1.5), (".5", 0.5),
                                             ("2.", 2.0), ("15e-1", 1.5), ("0", 0.0)])
def test_what_is_a_plain_number_is_taken(text, value, book, sound, as_csv):
    write_fault(book / "burns", "b01", cell(0, "depth_mm", text), sound, as_csv)
    assert labbook.read(book)["depth_mm"].iloc[0] == value


ACCEPTED = {
    "as it is": lambda content: content,
    "a UTF-8 byte order mark": lambda content: b"\xef\xbb\xbf" + content,
    "blank rows at the end": lambda content: content + b",,,,,,,,,,,,,,,\r\n" * 3 + b"\r\n",
    "more blank cells than columns in the blank rows": lambda content: content + b"," * 40 + b"\r\n",
    "blank columns at the end": lambda content: content.replace(b"\r\n", b",,\r\n"),
    "line ends of another system": lambda content: content.replace(b"\r\n", b"\n"),
    "no line end at the end": lambda content: content.rstrip(),
    "columns in another order": lambda content: b"".join(
        b",".join(line.split(b",")[::-1]) + b"\r\n" for line in content.splitlines()),
}


@pytest.mark.parametrize("name", ACCEPTED)
def test_what_spreadsheets_leave_behind_is_accepted(name, book, sound, as_csv):
    content = as_csv(sound()).encode("utf-8")
    (book / "burns" / "b01.csv").write_bytes(ACCEPTED[name](content))
    readings = labbook.read(book)
    assert readings["depth_mm"].tolist() == [1.23, 1.27, 0.81, 0.79]
    assert readings["reading"].tolist() == [1, 2, 1, 2]
    assert readings["board_thickness_mm"].tolist() == [19] * 4


def test_rows_are_numbered_as_a_spreadsheet_shows_them_also_after_blank_rows(book, sound, as_csv):
    lines = as_csv(cell(3, "depth_mm", "x")(sound())).splitlines(True)
    (book / "burns" / "b01.csv").write_text("".join([lines[0], ",,\r\n", "\r\n", *lines[1:]]),
                                           encoding="utf-8", newline="")
    assert message(book) == expected([("b01", [
        "row 7, column depth_mm, value 'x': this is not a number. " + MEASURE])])


def test_the_lab_books_own_woods_decide_which_species_there_are(book, sound, as_csv):
    (book / "woods.csv").write_text(
        "species,botanical_name,specific_gravity_12pct,source,dust_caution\n"
        "ironwood,Ostrya virginiana,0.70,a handbook,dust\n", encoding="utf-8")
    write_fault(book / "burns", "b01",
                lambda rows: [row | {"species": "ironwood"} for row in rows], sound, as_csv)
    write_fault(book / "burns", "b02", lambda rows: rows[:1], sound, as_csv)
    assert message(book) == expected([("b02", [
        "row 2, column species, value 'white oak': this wood is not in woods.csv. "
        "Use a wood of woods.csv, or add this one there."])])
    (book / "burns" / "b02.csv").unlink()
    assert len(labbook.read(book / "burns" / "b01.csv")) == 4


def test_a_burn_file_in_capitals_is_not_passed_over(book, sound, as_csv):
    (book / "burns" / "b01.CSV").write_text(as_csv(sound()), encoding="utf-8", newline="")
    assert len(labbook.read(book)) == 4


def test_the_same_fault_on_many_rows_is_one_line_with_its_rows(book, sound, as_csv):
    rows = [sound()[0] | {"reading": str(i), "depth_mm": "x" if i in (1, *range(11, 48)) else "1.2"} for i in range(1, 61)]
    (book / "burns" / "b01.csv").write_text(as_csv(rows), encoding="utf-8", newline="")
    assert message(book) == ("38 faults in the readings:\n  b01.csv, rows 2, 12 to 48, column depth_mm, value 'x': "
                             "this is not a number. " + MEASURE)


def test_a_long_list_is_cut_after_200_lines(book, sound, as_csv):
    rows = [sound()[0] | {"reading": str(i), "depth_mm": f"x{i}"} for i in range(1, 251)]
    (book / "burns" / "b01.csv").write_text(as_csv(rows), encoding="utf-8", newline="")
    said = message(book).splitlines()
    assert said[0] == "250 faults in the readings:"
    assert len(said) == 202 and said[-1] == "… and 50 more."


def test_a_lab_book_that_is_not_there_is_said_to_be_missing(tmp_path):
    with pytest.raises(FileNotFoundError) as caught:
        labbook.read(tmp_path / "nowhere")
    assert str(caught.value) == (f"There is no lab book or burn at {tmp_path / 'nowhere'}. "
                                 "Check the folder's name.")


def test_a_lab_book_without_burns_has_no_readings_of_the_same_types(book, sound, as_csv):
    nothing = labbook.read(book)
    (book / "burns" / "b01.csv").write_text(as_csv(sound()), encoding="utf-8", newline="")
    some = labbook.read(book)
    assert len(nothing) == 0 and list(nothing) == list(some)
    assert (nothing["struck_because"] != "").sum() == 0 and nothing["struck_because"].dtype != float


def test_check_says_the_same_of_a_table_with_its_index_as_row(sound):
    frame = pd.DataFrame(sound()).astype({"depth_mm": float, "power_pct": float})
    frame.loc[2, "depth_mm"] = float("inf")
    frame.loc[:, "power_pct"] = 90.0
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.check(frame)
    assert str(caught.value) == ("1 fault in the readings:\n  table, row 2, column depth_mm, "
                                 f"value 'inf': this is not a number. {MEASURE}")


def test_check_leaves_the_table_it_was_given_as_it_was(sound):
    frame = pd.DataFrame(sound())
    before = frame.copy()
    labbook.check(frame)
    pd.testing.assert_frame_equal(frame, before)


def test_check_of_a_checked_table_changes_nothing(sound):
    once = labbook.check(pd.DataFrame(sound()))
    pd.testing.assert_frame_equal(labbook.check(once), once)
