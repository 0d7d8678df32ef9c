"""Lab book: what a lab book holds, and how nothing in it is lost.

Decides every column of a reading and of a finished job, what counts as a readable file, how a cell becomes a
value and back, what is wrong with a row, and how burns, strikes, jobs, woods, the machine and its log are kept as
files: whole or not at all. The ground: a file is CSV as in RFC 4180 or TOML 1.0, described by a Frictionless
Table Schema; whatever was typed stays until its maker removes it.
"""

from testburn.labbook import columns, csvfile, files, jobs, journal, shown, slips, tomlfile, woods
from testburn.labbook.columns import NEXT
from testburn.labbook.burns import correct, read, save, strike, take_back, version
from testburn.labbook.files import NotWritten
from testburn.labbook.machine import Machine
from testburn.labbook.makerfile import ReadingsError
from testburn.labbook.readings import check, days_ahead, fingerprint

__all__ = ["Machine", "NEXT", "NotWritten", "ReadingsError", "check", "columns", "correct", "csvfile",
           "days_ahead", "files", "fingerprint", "jobs", "journal", "read", "save", "shown", "slips",
           "strike", "take_back", "tomlfile", "version", "woods"]
