"""Lab: the server behind the browser, for this computer only.

Decides what JupyterLab may show and do: it listens here alone, asks the net nothing, and its file browser follows
no link that leaves its folder, so that nothing is read or overwritten where nobody looks. What goes between
server and kernel is encrypted where the computer can, so that no kernel has to warn of the contrary.

Source: `FileContentsManager._get_os_path` of jupyter_server 2, an inner method; a test holds that it is still asked.
"""

import errno
import os
import sys

import zmq
from jupyter_server.services.contents.largefilemanager import AsyncLargeFileManager
from jupyterlab.labapp import LabApp
from tornado.web import HTTPError

OPTIONS = ("--ServerApp.ip=127.0.0.1", "--log-level=ERROR", "--LabApp.news_url=None",
           "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate", "--LabApp.extension_manager=readonly",
           "--ServerApp.contents_manager_class=testburn.workshop.lab.Inside")


class LeavesTheFolder(HTTPError, OSError):
    """A link that leads out of the folder; a listing passes over an entry that is refused so."""

    errno = errno.ELOOP


class Inside(AsyncLargeFileManager):
    """Files of one folder; a link that leaves it is refused."""

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


if __name__ == "__main__":
    sys.exit(LabApp.launch_instance([*options(), *sys.argv[1:]]))
