"""Lab book: what a lab book holds, and how nothing in it is lost.

Decides every column of a reading and of a finished job, what counts as a readable file, how a cell becomes a
value and back, what is wrong with a row, and how burns, strikes, jobs, woods and the machine are kept as
files: whole or not at all. The ground: a file is CSV as in RFC 4180 or TOML 1.0, described by a Frictionless
Table Schema; whatever was typed stays until its maker removes it.
"""

from testburn.labbook import columns, csvfile, files, jobs, journal, makerfile, woods
from testburn.labbook.columns import BOARD_NAMED_NEXT, NEXT
from testburn.labbook.burns import correct, read, save, strike, version
from testburn.labbook.files import NotWritten
from testburn.labbook.machine import Machine
from testburn.labbook.makerfile import ReadingsError
from testburn.labbook.readings import burn_name_fault, check, days_ahead, fingerprint, joined_marks

__all__ = ["BOARD_NAMED_NEXT", "Machine", "NEXT", "NotWritten", "ReadingsError", "burn_name_fault", "check", "columns",
           "correct", "csvfile", "days_ahead", "files", "fingerprint", "joined_marks", "jobs", "journal", "makerfile",
           "read", "save", "strike", "version", "woods"]
