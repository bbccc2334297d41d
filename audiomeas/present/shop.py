"""The shop that hands a page out: its name, address and logo, from a small TOML file. Nothing of it is measured.

name = "Demo audio workshop"
address = ["Example Lane 1", "00000 Exampleton"]
contact = ["workshop@example.org"]
logo = "logo.png" # beside this file
"""

from __future__ import annotations

import base64
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import translated
from audiomeas.record.entry import plain_text
from audiomeas.tomlfile import read_toml

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audiomeas.tomlfile import Table

#: A page is sent by mail: a picture of more bytes, or of more dots, is no logo.
_LARGEST_BYTES = 500_000
_LARGEST_DOTS = 4_000_000
#: First bytes of a file → media type (PNG: ISO/IEC 15948, 5.2; JPEG: ITU-T T.81, B.1.1.3).
_KINDS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
_LONGEST = 120
_MOST_LINES = 6


@dataclass(frozen=True, kw_only=True)
class Logo:
    """A picture. data : the file as it is.   kind : its media type.   pixels : height x width x 3 or 4."""

    data: bytes
    kind: str
    pixels: NDArray[np.generic]

    @property
    def shape(self) -> float:
        """Width over height."""
        return float(self.pixels.shape[1] / self.pixels.shape[0])

    @property
    def address(self) -> str:
        """The picture inside an address, for a web page."""
        return f"data:{self.kind};base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True, kw_only=True)
class Shop:
    """Who hands a page out."""

    name: str
    address: tuple[str, ...] = ()
    contact: tuple[str, ...] = ()
    logo: Logo | None = None

    @property
    def lines(self) -> tuple[str, ...]:
        """Address and contact, a line each."""
        return tuple(" · ".join(part) for part in (self.address, self.contact) if part)


def read_shop(file: Path | str) -> Shop:
    """Read a shop's file. Raises FileProblem, TomlProblem: missing, a wrong key or value, a logo that is no picture."""
    table = read_toml(Path(file))
    shop = Shop(
        name=_plain(table, "name", table.text("name")),
        address=_lines(table, "address"),
        contact=_lines(table, "contact"),
        logo=_logo(table),
    )
    table.finish()
    return shop


def _lines(table: Table, key: str) -> tuple[str, ...]:
    texts: tuple[str, ...] = table.texts(key, ())
    if len(texts) > _MOST_LINES:
        raise table.problem(key, f"has {len(texts)} lines; at most {_MOST_LINES} have room on a page")
    return tuple(_plain(table, key, text) for text in texts)


def _plain(table: Table, key: str, text: str) -> str:
    try:
        plain = plain_text(text, key, needed=True)
    except RequestError as error:
        raise table.problem(key, str(error)) from None
    if len(plain) > _LONGEST:
        raise table.problem(key, f"has {len(plain)} characters; at most {_LONGEST} have room on a page")
    return plain


def _logo(table: Table) -> Logo | None:
    name = table.text("logo", None)
    if name is None:
        return None
    file = table.file.parent / name
    try:
        with translated(file, "read"):
            data = _bytes_of(file)
    except FileProblem as error:
        raise table.problem("logo", str(error)) from None
    kind = next((kind for start, kind in _KINDS.items() if data.startswith(start)), None)
    if kind is None:
        raise table.problem("logo", f"{file} is no picture: give a PNG or a JPEG file")
    if len(data) > _LARGEST_BYTES:
        raise table.problem("logo", f"{file} is larger than {_LARGEST_BYTES // 1000} kB: give a smaller picture")
    return Logo(data=data, kind=kind, pixels=_pixels(table, file, data, kind))


def _bytes_of(file: Path) -> bytes:
    with file.open("rb") as stream:
        return stream.read(_LARGEST_BYTES + 1)


def _pixels(table: Table, file: Path, data: bytes, kind: str) -> NDArray[np.generic]:
    from matplotlib.image import imread

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # of a picture that would fill the memory
            pixels: NDArray[np.generic] = imread(io.BytesIO(data), format=kind.removeprefix("image/"))
    except Exception as error:  # whatever a damaged file makes a decoder raise
        raise table.problem("logo", f"{file} can't be read as a picture ({error}): save it again") from None
    if pixels.shape[0] * pixels.shape[1] > _LARGEST_DOTS:
        raise table.problem(
            "logo", f"{file} has more than {_LARGEST_DOTS / 1e6:g} million dots: give a smaller picture"
        )
    return pixels if pixels.ndim == 3 else pixels[..., None].repeat(3, axis=2)
