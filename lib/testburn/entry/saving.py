"""Saving: what a form says of a save: saved, refused, or asked once more.

Decides, for every form alike, that a refusal names its faults and keeps all that was typed; that a doubt is
asked about once, a second press being the answer, and forgotten as soon as a box changes; and that the
system's own words, which name a temporary file, are said as the folder that cannot be written to.
"""

from collections.abc import Callable, Iterable
from pathlib import Path

from testburn.entry.remarks import Remark
from testburn.labbook import ReadingsError

KEPT = "Not saved; everything you typed is still here."


class Asking:
    """What was asked about; the same press again is the answer."""

    def __init__(self):
        self._what = ""

    def forget(self) -> None:
        """Ask again next time: something was changed."""
        self._what = ""

    def first(self, what: str = "save") -> bool:
        """Say whether `what` is asked about for the first time, and remember it."""
        before, self._what = self._what, what
        return before != what


def attempt(save: Callable[[], list[Remark]], in_words: Callable[[ReadingsError], Iterable[str]],
            folder: Path, not_saved: str = KEPT) -> list[Remark]:
    """Return what `save` says, or why it was refused.

    Parameters
    ----------
    save : callable
        Saves, or asks, and returns what to say of it.
    in_words : callable
        Says the faults of a ReadingsError in the form's own words.
    folder : path
        Where it saves, named where the system refuses.
    not_saved : str
        What stands before the faults.
    """
    try:
        return save()
    except ReadingsError as error:
        faults = in_words(error)
    except (OSError, ValueError) as error:
        ours = getattr(error, "strerror", None) is None
        faults = [str(error) if ours else
                  f"{folder} cannot be written to: {error.strerror}. Check the folder, then save again."]
    return [Remark("fault", text) for text in (not_saved, *faults)]


def saved(count: int, *files: Path, more: str = "") -> Remark:
    """Say how many readings were saved, and where they are."""
    places = ", ".join(str(file.resolve()) for file in files)
    return Remark("saved", f"Saved {count} reading{'s' * (count != 1)} in {places}.{more}")
