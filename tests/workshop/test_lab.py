"""Lab: the server listens on this computer alone and follows no link that leaves its folder."""

import asyncio
import hashlib
import os

import nbformat
import pytest
from jupyter_server.services.contents.largefilemanager import AsyncLargeFileManager
from tornado.web import HTTPError

from testburn.workshop import lab


def asked(folder, kind, path, **more):
    return asyncio.run(getattr(kind(root_dir=str(folder)), "get" if not more else "save")(path=path, **more))


@pytest.fixture
def folder(tmp_path):
    """A folder with a file, a folder and a link inside, and links that lead out of it."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "other.txt").write_text("not ours", encoding="utf-8")
    inside = tmp_path / "book"
    (inside / "burns").mkdir(parents=True)
    (inside / "burns" / "b01.csv").write_text("ours", encoding="utf-8")
    try:
        (inside / "link.csv").symlink_to(inside / "burns" / "b01.csv")
        (inside / "file.txt").symlink_to(tmp_path / "out" / "other.txt")
        (inside / "away").symlink_to(tmp_path / "out")
    except OSError:
        pytest.skip("this computer makes no links for us")
    return inside


def test_a_listing_leaves_out_links_that_lead_away(folder):
    names = {entry["name"] for entry in asked(folder, lab.Inside, "")["content"]}
    assert names == {"burns", "link.csv"}
    assert {"away", "file.txt"} <= {entry["name"] for entry in asked(folder, AsyncLargeFileManager, "")["content"]}


def test_what_is_inside_is_read(folder):
    assert asked(folder, lab.Inside, "burns/b01.csv")["content"] == "ours"
    assert asked(folder, lab.Inside, "link.csv")["content"] == "ours"


@pytest.mark.parametrize("path", ["file.txt", "away", "away/other.txt"])
def test_a_link_that_leads_away_is_neither_read_nor_written(path, folder):
    with pytest.raises(HTTPError, match="404"):
        asked(folder, lab.Inside, path)
    with pytest.raises(HTTPError):
        asked(folder, lab.Inside, path, model={"type": "file", "format": "text", "content": "changed"})
    assert (folder.parent / "out" / "other.txt").read_text(encoding="utf-8") == "not ours"


def test_a_page_counts_as_changed_where_its_words_or_code_changed_not_where_it_only_ran(tmp_path):
    def mark(source, count):
        cell = nbformat.v4.new_code_cell(source, execution_count=count)
        (tmp_path / "page.ipynb").write_text(nbformat.writes(nbformat.v4.new_notebook(cells=[cell])), encoding="utf-8")
        return asyncio.run(lab.Inside(root_dir=str(tmp_path)).get("page.ipynb", content=False, require_hash=True))["hash"]

    assert mark("fit", 1) == mark("fit", 2) != mark("fit(3)", 2)
    (tmp_path / "log.csv").write_text("a", encoding="utf-8")
    plain = asyncio.run(lab.Inside(root_dir=str(tmp_path)).get("log.csv", require_hash=True))["hash"]
    assert plain == hashlib.sha256(b"a").hexdigest()


def test_the_server_is_for_this_computer_only_and_asks_the_net_nothing():
    options = lab.options()
    assert {"--ServerApp.ip=127.0.0.1", "--LabApp.news_url=None", "--LabApp.extension_manager=readonly",
            "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
            "--KernelManager.transport_encryption=auto"} <= set(options)
    # The address that is printed for copying gets its token behind a question mark of its own.
    assert not [option for option in options if option.startswith("--LabApp.default_url") and "?" in option]
    assert not [option for option in options if "token" in option or "password" in option]
    assert ("--allow-root" in options) == (hasattr(os, "geteuid") and os.geteuid() == 0)
