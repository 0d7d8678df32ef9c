"""Lab: the server behind the browser, for this computer only.

Decides what JupyterLab may show and do: its file browser is the lab book (the maker's, or a copy of the demo that goes
when the server ends), it opens on the first page there (`pages`), listens here alone, asks the net nothing, and follows
no link that leaves the book, so that nothing is read or overwritten where nobody looks. What goes between
server and kernel is encrypted where the computer can, so that no kernel has to warn of the contrary.

Source: `FileContentsManager._get_os_path` of jupyter_server 2, an inner method; a test holds that it is still asked.
"""

import argparse
import asyncio
import errno
import os
import sys
import tempfile
from pathlib import Path

import zmq
from jupyter_server.services.contents.largefilemanager import AsyncLargeFileManager
from jupyterlab.labapp import LabApp
from tornado.web import HTTPError
from traitlets import Instance

from testburn.labbook import files, shown
from testburn.workshop import pages
from testburn.workshop.openbook import copied_demo, notebooks

OPTIONS = ("--ServerApp.ip=127.0.0.1", "--log-level=ERROR", "--LabApp.news_url=None",
           "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate", "--LabApp.extension_manager=readonly",
           "--ServerApp.contents_manager_class=testburn.workshop.lab.Inside",
           "--FileContentsManager.pre_save_hook=testburn.workshop.pages.strip", "--LanguageServerManager.autodetect=False",
           "--ServerApp.terminals_enabled=False", "--ServerApp.answer_yes=True",
           f"--LabApp.default_url=/lab/tree/{pages.FOLDER}/{pages.FIRST}",
           # A drawing may be large; the server's own limit loses it without a word.
           "--ServerApp.tornado_settings={\"websocket_max_message_size\": 104857600}")


class LeavesTheFolder(HTTPError, OSError):
    """A link that leads out of the folder; a listing passes over an entry that is refused so."""

    errno = errno.ELOOP


class Inside(AsyncLargeFileManager):
    """Files of one folder; a link that leaves it is refused.

    JupyterLab saves a page by itself, so often that on a slow disk one save begins before the last has ended, and asks
    before each whether the file is still what it saved. It then took its own save for a stranger's and asked the maker
    which of the two to keep. So that question waits until a save has ended, and a page counts as changed where its
    words or its code changed.
    """

    _saving = Instance(asyncio.Lock, ())

    async def get(self, path, *args, require_hash=False, **more):
        if not require_hash:  # a save asks so too, for its answer
            return await super().get(path, *args, **more)
        async with self._saving:
            model = await super().get(path, *args, require_hash=True, **more)
            if model["type"] == "notebook":
                model["hash"] = pages.words(Path(self._get_os_path(path.strip("/")))) or model["hash"]
        return model

    async def save(self, model, path=""):
        async with self._saving:
            return await super().save(model, path)

    def _get_os_path(self, path):
        found, root = super()._get_os_path(path), os.path.realpath(self.root_dir)
        if os.path.commonpath([root, os.path.realpath(found)]) != root:
            raise LeavesTheFolder(404, f"{path} is a link that leaves this folder")
        return found


def encryption() -> dict[str, str]:
    """Return the setting of a kernel manager that encrypts; none where this computer cannot."""
    return {"transport_encryption": "auto"} if zmq.has("curve") else {}


def options() -> list[str]:
    """Return the server's options on this computer."""
    as_root = ["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []  # in a container one often is
    return [*OPTIONS, *as_root, *(f"--KernelManager.{name}={value}" for name, value in encryption().items())]


def opened(book: Path, more: list[str]) -> int:
    """Open JupyterLab on a lab book, and return its exit code when it ends."""
    for name in pages.lay_out(book, notebooks()):
        shown.say(f"Page {name} is new in this version; the one you had changed is kept in {pages.FOLDER}/earlier.")
    # Each book has its own: the pages that were open of another one are not opened with it.
    own = "demo" if os.environ.get("TESTBURN_SCRATCH") else files.mark(str(book).encode())
    windows = Path(sys.prefix) / "share" / "lab-windows" / own
    ours = [f"--ServerApp.root_dir={book}", f"--LabApp.workspaces_dir={windows}"]
    asked = {option.partition("=")[0] for option in more}  # an option said twice is refused by the server
    return LabApp.launch_instance([*options(), *(one for one in ours if one.partition("=")[0] not in asked), *more])


def main(arguments: list[str]) -> int:
    """Open the lab book named, or a copy of the demo; what else is asked goes to the server."""
    parser = argparse.ArgumentParser(prog="testburn.workshop.lab", description=__doc__.splitlines()[0])
    parser.add_argument("--labdata", type=Path)
    asked, more = parser.parse_known_args(arguments)
    os.environ["TESTBURN_IN_LAB"] = "1"  # a kernel of this server shows its results on a page
    if asked.labdata:
        os.environ["TESTBURN_LABDATA"] = str(asked.labdata.resolve())
        return opened(asked.labdata.resolve(), more)
    with tempfile.TemporaryDirectory(prefix="testburn-demo-", ignore_cleanup_errors=True) as scratch:
        book = copied_demo(Path(scratch) / "demo")
        os.environ |= {"TESTBURN_LABDATA": str(book), "TESTBURN_SCRATCH": "1"}
        return opened(book, more)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
