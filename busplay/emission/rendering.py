"""Templates and files: how text is rendered, and how a file carries its own digest.

How to think about it. Every file begins with two digests. That of the wire format says which wire
it belongs to. That of the content is of the whole file with its own digits taken as zeros, so
a file on the disk tells by itself whether somebody has changed it since.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from busplay.emission.c_text import c_type, constant, gathered, scattered, table_rows
from busplay.emission.model import LinkModel
from busplay.emission.verilog_text import joined, moved, sized
from busplay.errors import printable

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"
DIGEST_DIGITS = 16
_NO_DIGEST = "0" * DIGEST_DIGITS
_DIGEST = re.compile(rb'content[ _]digest"?: "?([0-9a-f]{16})')
# A head is short; a digest further down is somebody else's text.
_HEAD_BYTES = 2_048


@dataclass(frozen=True, slots=True)
class RenderedFile:
    """A file to write.

    Attributes:
        path: within the folder.
        content: with its digest.
    """

    path: PurePosixPath
    content: bytes


def finished(path: str, text: str) -> RenderedFile:
    """Return a file with the digest of its content filled in.

    Args:
        path: within the folder.
        text: whose head holds `head_lines`, or the key `content_digest`.
    """
    content = text.encode("utf-8")
    found = _DIGEST.search(content[:_HEAD_BYTES])
    if found is None:
        raise ValueError(f"the head of {path} has no content digest")
    digits = content_digest(content).encode("ascii")
    content = content[: found.start(1)] + digits + content[found.end(1) :]
    return RenderedFile(PurePosixPath(path), content)


def content_digest(content: bytes) -> str:
    """Return the digest of a file's content, its own digits in the head taken as zeros."""
    found = _DIGEST.search(content[:_HEAD_BYTES])
    if found is not None:
        content = content[: found.start(1)] + _NO_DIGEST.encode() + content[found.end(1) :]
    return sha256(content).hexdigest()[:DIGEST_DIGITS]


def is_as_emitted(content: bytes) -> bool:
    """Return whether a file is one of ours that nobody has changed."""
    found = _DIGEST.search(content[:_HEAD_BYTES])
    return found is not None and content_digest(content).encode("ascii") == found[1]


def head_lines(model: LinkModel) -> list[str]:
    """Return the head of every file, without marks of a comment."""
    file = f" from {comment(' and '.join(model.sources))}" if model.sources else ""
    return [
        f"Made by busplay emit{file}: change the description and emit again.",
        f"wire format digest: {model.wire_digest}",
        f"content digest: {_NO_DIGEST}",
    ]


def comment(text: object) -> str:
    """Return a text that ends no comment, in C or in HTML."""
    return printable(text).replace("*/", "* /").replace("/*", "/ *").replace("--", "- -")


def markdown(text: object) -> str:
    """Return a text that Markdown shows as it is."""
    return re.sub(r"([\\`*_\[\]<>|#])", r"\\\1", printable(text))


def render(template: str, model: LinkModel, values: Mapping[str, object], *, mark: str = "") -> str:
    """Return a template's text.

    Args:
        template: its path under `templates`.
        model: `m` of the template; `n` and `N` are its name in small letters and capitals.
        values: what else the template reads.
        mark: what begins each line of the head.
    """
    return (
        _environment()
        .get_template(template)
        .render(
            m=model,
            n=model.ident,
            N=model.ident.upper(),
            head="\n".join(mark + line for line in head_lines(model)),
            **values,
        )
    )


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=lambda name: name is not None and name.endswith(".html.j2"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "c_type": c_type,
        "comment": comment,
        "constant": constant,
        "gathered": gathered,
        "joined": joined,
        "markdown": markdown,
        "moved": moved,
        "scattered": scattered,
        "sized": sized,
        "table_rows": table_rows,
    }
    return environment
