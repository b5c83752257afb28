"""The documentation as a site: the pages of this folder as they are, strict, with nothing out of the internet."""

from __future__ import annotations

from pathlib import Path

from sphinx.application import Sphinx

project = "lastbubble"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
root_doc = "index"
html_theme = "furo"
html_title = "lastbubble"
html_copy_source = False
html_show_sphinx = False
myst_heading_anchors = 3
#: A link that leads nowhere ends the build (`-W`), to a page as to a heading of one.
nitpicky = True
#: Matters of style; everything else that is warned of ends the build.
suppress_warnings = ["myst.header", "misc.highlighting_failure"]

SECTIONS = {
    "Setting up": ["safety", "wiring", "installation", "commissioning", "calibration", "settings"],
    "Using it": [
        "first-batch",
        "degassing",
        "plan",
        "batches",
        "resin",
        "oven",
        "phone",
        "commands",
        "troubleshooting",
    ],
    "Interchange": ["log-format", "mqtt"],
    "Measured": [],
}


def _navigation() -> str:
    """The tables of contents; a page that is named nowhere finds its place by itself."""
    here = Path(__file__).parent
    named = {page for pages in SECTIONS.values() for page in pages} | {root_doc}
    left = [path.relative_to(here).with_suffix("").as_posix() for path in sorted(here.rglob("*.md"))]
    sections = {title: list(pages) for title, pages in SECTIONS.items()}
    for page in left:
        if page not in named:
            sections["Measured" if page.startswith("measured/") else "Using it"].append(page)
    return "".join(
        f"\n\n```{{toctree}}\n:hidden:\n:caption: {title}\n\n" + "\n".join(pages) + "\n```\n"
        for title, pages in sections.items()
    )


def _read(app: Sphinx, page: str, text: list[str]) -> None:
    del app
    if page == root_doc:
        text[0] += _navigation()


def setup(app: Sphinx) -> None:
    app.connect("source-read", _read)
