"""Job page: the front of an order's card, one page that hangs beside the machine.

Decides what a person at the machine reads, from top to bottom in the order of the work: what is made of what, how the
machine is set up, the one setting in the machine's own units, the depth wanted and how far it may be off, where and with
what to measure with blanks to write into, what to do when a piece is off, the finish as this order is filled, and the
dangers. Everything else (chart, other settings, scatter) stands on the back, the page that a wood's card is (`card`).
`front` turns a job into plain data and jobpage.typ lays it out. How to measure is common practice, no source.
"""

import pandas as pd

from testburn import burnplan, energy
from testburn.job import Job, cautions, finishing, firstpiece
from testburn.labbook import Machine, NEXT
from testburn.paper.text import SETTING, WAYS, beside, count, minutes, shortened, span

_LONGEST = 90
_PICTURE_ROWS = 150
_MOST_BLANKS = 8
BLANK = ""
BLANKS = "Blank boxes are yours to write into: no burn behind this card noted it, so keep it as it was at the test burn."
SETUP = ("Module", "Focus gap", "Air", "Lines to grain", "Support", "Mask", "Thickness")
NEAR_FLOOR = ("This recess takes up to {deep:.2f} mm of a board of {thickness:g} mm: {left:.1f} mm are left under it. Measure the board "
              "before it is burned, and do not burn into a thinner one.")
# A recess that leaves less wood under it than this is said on the card, as is one deeper than this share: our own judgement.
_LITTLE_LEFT_MM, _MUCH_OF_IT = 4.0, 0.25
PROVE = "Prove first: one swatch of this setting on the board's waste side. Enter it, and this card is made again."
WHERE = "Middle third of the widest recess near the middle, clear of the walls, before it is sealed."
ACROSS = "Three readings, spread across the growth rings."


def front(job: Job, invented: str | None) -> dict:
    """Return everything that stands on the front but its foot.

    Parameters
    ----------
    job : Job
    invented : str, optional
        What has to be said of invented data.
    """
    choice, window = job.recommended, job.window
    return {
        "name": _said(job.order.name), "customer": _said(job.order.customer or ""), "standing": _standing(job),
        "proved": job.board != NEXT, "made_of": _made_of(job), "picture": _picture(job.drawing),
        "picture_alt": f"What burns of {_said(job.drawing.name)}, {job.drawing.width_mm:.0f} × {job.drawing.height_mm:.0f} mm.",
        "setup": _setup(job), "blanks": BLANKS, "setting": _setting(job, choice), "runs": _runs(job, choice),
        "target": {"middle": f"{choice['depth_mm']:.2f} mm", "ends": span(window.at_least_mm, window.at_most_mm, 2, "mm"),
                   "inches": span(*map(energy.inches_from_mm, (window.at_least_mm, window.at_most_mm)), 3, "in"),
                   "chance": _chance(job, choice)},
        "measure": _measure(job), "off": _off(job, choice), "finish": _finish(job),
        "dangers": _dangers(f"{job.group.wavelength_nm:g} nm", window.recipe.poured),
        "mind": [_said(words, 300) for words in _mind(job)], "invented": invented, "foot": [],
    }


def blank(machine: Machine) -> dict:
    """Return a front to fill in by hand, for a day when the computer is down: its boxes without anything of a job."""
    return {
        "name": "Order:", "customer": BLANK, "standing": "To fill in by hand", "proved": False,
        "made_of": ["Pieces:", "Wood:", "Board:", "Drawing:"], "picture": None, "picture_alt": BLANK,
        "setup": [[name, BLANK] for name in SETUP], "blanks": BLANK, "setting": [[*head, BLANK, BLANK] for head in _heads(machine.units)], "runs": BLANK,
        "target": dict.fromkeys(("middle", "ends", "inches", "chance"), BLANK),
        "measure": {"where": f"{WHERE} Zero on the face beside it.", "gauge": ACROSS,
                    "pieces": [BLANK] * _MOST_BLANKS},
        "off": [], "finish": [], "dangers": _dangers("your wavelength"), "mind": [], "invented": None,
        "foot": ["Settings: from the card of the wood, or the last proof."]}


def _dangers(wavelength: str, resin: bool = False) -> list[tuple[str, str]]:
    """Return the cautions of every card, who decides last."""
    *every, who_decides = cautions.ON_A_CARD
    return [(head, text.format(wavelength=wavelength)) for head, text in (*every, *[cautions.RESIN_ON_A_CARD] * resin, who_decides)]


def _heads(units) -> list[list[str]]:
    """Return name and unit of what is set, passes third."""
    speed, power, pitch = ([units.heading(name)[0].capitalize(), units.heading(name)[1]] for name in SETTING)
    return [speed, power, ["Passes", ""], pitch]


def _said(words: object, longest: int = _LONGEST) -> str:
    return shortened(words, longest, longest)


def _standing(job: Job) -> str:
    return "Before proof: for the next board" if job.board == NEXT else f"Proved: for board {_said(job.board)} only"


def _made_of(job: Job) -> list[str]:
    """Return pieces, wood, board and drawing, a line each."""
    order, art = job.order, job.drawing
    pieces = "1 piece" if order.pieces == 1 else f"{order.pieces} pieces, {min(job.pieces_a_board, order.pieces)} from a board"
    board = f", board {_said(order.on_bench)}" if order.on_bench else ""
    version = f", version {order.artwork_sha256[:8]}" if order.artwork_sha256 else ""
    return [pieces, _begun(f"{job.group.species}{board}"),
            f"{_said(art.name)}{version}, {art.width_mm:.0f} × {art.height_mm:.0f} mm"]


def _picture(art) -> str:
    """Return what burns as a drawing of some rows, black on white, with nothing in it that was typed."""
    every = max(1, int(art.row.max() - art.row.min()) // _PICTURE_ROWS)
    kept = (art.row - art.row.min()) % every == 0
    high = every * art.step_mm
    runs = "".join(f"M{left:.1f} {row * art.step_mm:.2f}H{right:.1f}v{high:.2f}H{left:.1f}z"
                   for row, left, right in zip(art.row[kept], art.left_mm[kept], art.right_mm[kept]) if right - left > high / 4)
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {art.width_mm:.1f} {art.height_mm:.1f}" '
            f'width="{art.width_mm:.1f}" height="{art.height_mm:.1f}"><path d="{runs}"/></svg>')


def _setup(job: Job) -> list[list[str]]:
    """Return the boxes to set the machine up by: what every burn behind the card says, and blanks for what none does."""
    noted = {}
    for name, form in (("focus_offset_mm", "{:+g} mm"), ("air_assist", "{}"), ("sweep_vs_grain", "{}")):
        values = {"" if pd.isna(value) else value for value in job.group.readings.get(name, pd.Series([""])).unique()}
        noted[name] = form.format(values.pop()) if len(values) == 1 and values != {""} else BLANK
    mask = {"mask": "on, no PVC", "coating": "none: coated"}.get(job.window.recipe.over, BLANK)
    return [list(pair) for pair in zip(SETUP, (
        _said(job.group.module_name, 40) + f", {job.group.wavelength_nm:g} nm", noted["focus_offset_mm"], noted["air_assist"],
        noted["sweep_vs_grain"], BLANK, _said(mask, 20), f"{job.order.board_thickness_mm:g} mm"))]


def _setting(job: Job, choice: pd.Series) -> list[list[str]]:
    """Return the setting in the machine's units: name, unit, number to type, the same beside it; passes third."""
    units = job.machine.units
    speed, power, pitch = ([units.of(name).text(choice[name]), beside(name, choice[name], units)] for name in SETTING)
    passes = [f"{choice['passes']:g}", f"{choice['line_energy_j_mm']:.3g} J/mm"]
    return [head + own for head, own in zip(_heads(units), (speed, power, passes, pitch))]


def _runs(job: Job, choice: pd.Series) -> str:
    """Return how the drawing is swept and how long it takes."""
    taken = minutes(choice.to_frame().T)[0]
    way = choice.get("way", "")
    swept = f"Swept {WAYS[way]}. " if way else ""
    batch = job.batch
    several = (f"{taken} minutes a piece; all {job.order.pieces} take {batch.minutes:.0f}: {batch.machine_minutes:.0f} burning, "
               f"{batch.hand_minutes:.0f} by hand, {batch.boards * batch.proof_minutes:.0f} proving.")
    return swept + (several if job.order.pieces > 1 else f"{taken} minutes.")


def _chance(job: Job, choice: pd.Series) -> str:
    of = "on your next board" if job.board == NEXT else "on this board"
    doubt = f" {_begun(choice['why'])}." if choice["why"] else ""
    return f"{100 * choice['chance_inside']:.0f} of 100 such recesses {of} land inside.{doubt}"


def _measure(job: Job) -> dict:
    """Return the measuring box: where, with what, how many, and which pieces have blanks."""
    batches = job.batch.table["measure"]
    first = str(batches.iloc[0]).split(", ")
    step = job.group.gauge_step_mm
    more = f" On every further board too: {'; '.join(batches.iloc[1:4])}{'; …' * (len(batches) > 4)}." if len(batches) > 1 else ""
    several = job.order.pieces > 1
    where = f"{WHERE} {finishing.zero(job.window)}" + f" Measure piece{'s' * (len(first) > 1)} {', '.join(first)}.{more}" * several
    return {"where": where, "gauge": f"{burnplan.gauge_words(job.drawing.widest_stroke_mm)} Step {step:g} mm or finer. {ACROSS}",
            "pieces": [f"Piece {name}" for name in first] if several else ["This piece"]}


def _off(job: Job, choice: pd.Series) -> list[dict]:
    """Return what to do with a piece that is too shallow, and one too deep, and how to go on."""
    then = firstpiece.next_speeds(job.proved, choice, job.window, job.machine, job.board)
    said = firstpiece.this_piece(job.window, job.loses.ground)
    return [{"head": side.capitalize(), "now": said[side],
             "next": [[f"{row.measured_mm:.2f} mm", _once_more(job, choice, row.measured_mm) if side == "too shallow" else "",
                       _speed(job, row.speed_mm_s)] for row in rows.itertuples()]}
            for side, rows in then.groupby("side", sort=False)]


def _once_more(job: Job, choice: pd.Series, measured_mm: float) -> str:
    """Return the second pass of a piece that measures so much, and what its chance does not know."""
    if choice["passes"] != 1:
        return ""
    more = job.top_up(measured_mm, choice)
    weak = ", so weak a pass was never burned" * bool(more["beyond"])
    return (f"this piece once more at {_speed(job, more['speed_mm_s'])} ({firstpiece.of_100(more['chance_inside'])} then land inside"
            f"{weak}), ")


def _speed(job: Job, speed_mm_s: float) -> str:
    return job.machine.units.said("speed_mm_s", speed_mm_s).replace(" ", "\u00a0")


def _finish(job: Job) -> list[tuple[str, str]]:
    """Return the finishing steps of this order's way to fill, with its coats and grits."""
    rows = finishing.schedule(job.window)
    films = ["" if pd.isna(coats) else f"{count(int(coats), 'coat')}, {wet} wet: "
             for coats, wet in zip(rows["coats"], rows["wet_film"])]
    return [(row.step.capitalize(), _begun(f"{film}{row.what}") + f"; {row.wait}" * (row.step in ("rest", "sand back")) + ".")
            for film, row in zip(films, rows.itertuples()) if row.step != "in doubt"]


def _begun(words: str) -> str:
    return words[:1].upper() + words[1:]


def _mind(job: Job) -> list[str]:
    """Return what to mind before anything burns: the proof, a board too thick or too thin, the drawing, the machine's state."""
    deep, thickness = job.window.at_most_mm, job.order.board_thickness_mm
    left = thickness - deep
    thin = [NEAR_FLOOR.format(deep=deep, thickness=thickness, left=left)] * (left < _LITTLE_LEFT_MM or deep > _MUCH_OF_IT * thickness)
    stock = job.machine.stock(thickness)
    under = [f"Under the module: {stock.words}"] * (stock.verdict not in ("fits", "not known"))
    return [*[PROVE] * (job.board == NEXT), *under, *thin, *job.notes, *filter(None, [job.fit.said_of(job.group)])]


def foot(job: Job, of: dict, printed_on: str = "") -> list[str]:
    """Return what the card rests on, which of the order's cards it is, and the day of print.

    Parameters
    ----------
    job : Job
    of : dict
        See `ordercard.counted`.
    printed_on : str
        As the maker wants it there; the page reads no clock.
    """
    group, replaces = job.group, of["replaces"]
    rests = (f"Rests on {group.boards} board{'s' * (group.boards != 1)} of {group.species}, {group.name.rpartition(', ')[2]}; "
             f"{job.standing}.")
    gone = (f"Replaces card {replaces['number']} ({_said(replaces['standing'], 60)}): take that one down." if replaces else
            "Replaces none.")
    return [_said(rests, 200), f"Card {of['number']} of this order. {gone}" + f" Printed {_said(printed_on, 20)}." * bool(printed_on)]
