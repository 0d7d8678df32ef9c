"""Mutations: a sound burn file with seeded things done to its cells, rows, quotes, encoding and bytes."""

import csv
import io
import tempfile

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.configuration import set_hypothesis_home_dir

# The same cases every time, no clock, and no folder left in the project.
set_hypothesis_home_dir(tempfile.mkdtemp())
# A failing case is shown as it is found: shrinking one takes minutes.
seeded = settings(derandomize=True, deadline=None, database=None, print_blob=False, phases=[Phase.explicit, Phase.generate],
                  suppress_health_check=list(HealthCheck))

SOUND = ["burn,burned_on,species,board,module_w,wavelength_nm,power_pct,speed_mm_s,line_pitch_mm,passes,"
         "swatch,reading,depth_mm,gauge_step_mm,board_thickness_mm,note",
         "{burn},2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,1,1.23,0.01,19,",
         '{burn},2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,2,1.27,0.01,19,"two, of them"',
         "{burn},2026-03-14,white oak,O1,20,450,90,90,0.05,1,2,1,0.81,0.01,19,Faß"]
ODD_CELLS = ["", " ", "nan", "inf", "-1", "1e999", "1e-999", "1,5", "0x10", "١", "9" * 400, "=1+1", "'=1",
             '"', '""', '"a', "a\nb", "\r", "\x00", "\x1b[2J", "\ud7ff", "2026-13-01", "0000-00-00",
             "9999-12-31", "CON", "../x", "a/b", "True", "[]", "{}", "<script>", "x" * 200_000, "\ufeff", "\u202e",
             "1.5", "1e18", "9007199254740993", "0", "-0", "+5", "ironwood", "_file", "struck_because"]
ODD_BYTES = [b"\0", b"\xff", b"\xfe\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xf4\x90\x80\x80",
             b'"', b'""', b"'", b",", b";", b"\t", b"\r", b"\n", b"\r\n\r\n", b"\x85", b"\x1a", b"\\", b"\x0c",
             b"\xc0\xaf", b"\xe2\x80\xa8", b",,,,,,", b"\n,,,\n", b"-", b"."]
ENCODINGS = ["utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "utf-7", "cp037", "latin-1"]


@st.composite
def tables(draw, burn):
    """The rows of a burn as lists of cells, with cells, rows or columns changed."""
    rows = [row for row in csv.reader(line.format(burn=burn) for line in SOUND)]
    for _ in range(draw(st.integers(0, 3))):
        row, place = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, 15))
        kind = draw(st.sampled_from(["cell", "cell", "cell", "drop", "twice", "cut", "long", "swap"]))
        if kind == "cell" and place < len(rows[row]):
            rows[row][place] = draw(st.sampled_from(ODD_CELLS) | st.text(st.characters(
                codec="utf-8"), max_size=20))
        elif kind == "drop":
            rows = [cells[:place] + cells[place + 1:] for cells in rows]
        elif kind == "twice":
            rows.insert(row, list(rows[row]))
        elif kind == "cut":
            rows[row] = rows[row][:place]
        elif kind == "long":
            rows[row] = rows[row] + [""] * place + ["x"]
        else:
            rows.reverse()
    return rows


@st.composite
def contents(draw, burn):
    """The bytes of a burn file, sound or not."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=300))
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=draw(st.sampled_from([",", ",", ",", ",", ";", "\t", "|"])),
                        lineterminator=draw(st.sampled_from(["\r\n", "\n", "\r"])),
                        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])))
    writer.writerows(draw(tables(burn)))
    encoding = draw(st.sampled_from(["utf-8"] * 8 + ENCODINGS))
    content = bytearray(out.getvalue().encode(encoding, "replace"))
    for _ in range(draw(st.sampled_from([0, 0, 1, 1, 2, 5]))):
        place = draw(st.integers(0, len(content)))
        kind = draw(st.sampled_from(["insert", "insert", "flip", "cut", "repeat", "end"]))
        if kind == "insert":
            content[place:place] = draw(st.sampled_from(ODD_BYTES))
        elif kind == "flip" and place < len(content):
            content[place] = draw(st.integers(0, 255))
        elif kind == "cut":
            del content[place:place + draw(st.integers(1, 40))]
        elif kind == "repeat":
            content[place:place] = content[max(0, place - 60):place]
        else:
            del content[place:]
    return bytes(content)


# Often one file alone: of many in one folder, one is nearly always at fault.
folders = (st.just(1) | st.integers(1, 25)).flatmap(
    lambda count: st.tuples(*(contents(f"b{number:02d}") for number in range(count))))
