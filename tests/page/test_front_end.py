"""The front end as files: none asks elsewhere, and none makes markup of words."""

import re
from importlib.resources import files

FRONT = files("pastewright.page") / "front"


def texts():
    found, folders = {}, [FRONT]
    while folders:
        for child in folders.pop().iterdir():
            if child.is_dir():
                folders.append(child)
            elif child.name.endswith((".js", ".css", ".html", ".svg")):
                found[child.name] = child.read_text("utf-8")
    return found


def test_nothing_is_loaded_from_elsewhere():
    assert "shell.js" in texts()
    named = {
        (name, url)
        for name, text in texts().items()
        for url in re.findall(r"https?://[^\s\"'`)]+", text)
        if not url.startswith("http://www.w3.org/")  # the names of SVG and XHTML, never asked
    }
    assert not named


def test_words_of_files_never_become_markup():
    for name, text in texts().items():
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|srcdoc", text
        ), name
