"""Photos: any camera's file in, a plain JPEG without place, device or time data out; the same bytes every time.

The record keeps the hash of the file as taken; the report carries and shows the prepared picture and both hashes.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import PurePath
from typing import Any

from diagnb.errors import Fault, InputFault, fault
from diagnb.record import Record
from diagnb.record.document import Attachment

MOST_PIXELS = 64_000_000
MOST_BYTES = 64 * 2**20
MOST_PHOTOS = 60
LONGEST_SIDE = 1600
QUALITY = 82
_FORMATS = ("JPEG", "PNG", "WEBP")
_MARKERS_WITH_SIZE = frozenset({0xC0, 0xC1, 0xC2})
_HEIF_BRANDS = (b"heic", b"heix", b"mif1", b"avif")


@dataclass(frozen=True, slots=True)
class Photo:
    """A prepared picture: baseline JPEG, 8 bits, grey or RGB (sRGB), longest side at most 1600 pixels."""

    jpeg: bytes = field(repr=False)
    width: int
    height: int
    grey: bool
    sha256: str
    original_sha256: str = ""


def prepare_photo(data: bytes, *, where: str = "photo") -> Photo:
    """A camera's file made ready for a report: turned upright, at most 1600 pixels, every kind of metadata left out.

    JPEG, PNG and WebP of at most 64 million pixels and 64 MiB. Raises :class:`InputFault` for anything else, and
    for a file that is cut off or holds more than it says.
    """
    if len(data) > MOST_BYTES:
        raise fault(where, f"is larger than {MOST_BYTES // 2**20} MiB", "save it smaller")
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(data), formats=_FORMATS) as image:
                wide, high = image.size
                _refuse_size(wide, high, where)
                image.draft("RGB" if image.mode not in ("L", "1") else "L", (LONGEST_SIDE, LONGEST_SIDE))
                image.load()
                upright = ImageOps.exif_transpose(image)
                shown = _in_srgb(upright)
                shown.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
                clean = Image.new(shown.mode, shown.size)
                clean.paste(shown)
    except InputFault:
        raise
    except MemoryError:
        raise fault(where, "needs more memory than there is", "save it smaller") from None
    except Exception as error:  # noqa: BLE001 - a hostile or broken file may break a decoder in any way
        raise _refusal(data, where, error) from None
    out = BytesIO()
    clean.save(out, "JPEG", quality=QUALITY, subsampling="4:2:0", optimize=False, progressive=False)
    original = hashlib.sha256(data).hexdigest()
    prepared = read_photo(out.getvalue(), where=where)
    return Photo(prepared.jpeg, prepared.width, prepared.height, prepared.grey, prepared.sha256, original)


def thumbnail(data: bytes, *, longest: int = 480, where: str = "photo") -> bytes:
    """A small JPEG of a camera's file, upright and without metadata. Raises :class:`InputFault` as :func:`prepare_photo`."""
    from PIL import Image

    with Image.open(BytesIO(prepare_photo(data, where=where).jpeg), formats=("JPEG",)) as image:
        image.thumbnail((longest, longest))
        out = BytesIO()
        image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def read_photo(jpeg: bytes, *, where: str = "photo") -> Photo:
    """A prepared picture read back from its bytes; nothing is decoded. Raises :class:`InputFault`.

    Refused is whatever :func:`prepare_photo` does not write: other precisions and colours, comments, application
    data besides the JFIF header.
    """
    if len(jpeg) > MOST_BYTES or not jpeg.startswith(b"\xff\xd8") or not jpeg.endswith(b"\xff\xd9"):
        raise fault(where, "is not a whole JPEG file")
    at = 2
    while at + 4 <= len(jpeg) and jpeg[at] == 0xFF:
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4], "big")
        body = jpeg[at + 4 : at + 2 + length]
        if marker == 0xE0:
            if not body.startswith(b"JFIF\x00"):
                break
        elif marker == 0xFE or 0xE1 <= marker <= 0xEF:
            raise fault(where, "carries data besides the picture", "prepare it again")
        elif marker in _MARKERS_WITH_SIZE:
            if len(body) < 6 or body[0] != 8 or body[5] not in (1, 3):
                break
            high, wide = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
            if not 0 < wide <= LONGEST_SIDE or not 0 < high <= LONGEST_SIDE:
                raise fault(where, f"has {wide} × {high} pixels", f"at most {LONGEST_SIDE} a side")
            return Photo(jpeg, wide, high, body[5] == 1, hashlib.sha256(jpeg).hexdigest())
        elif marker not in (0xDB, 0xC4, 0xDD):
            break
        at += 2 + length
    raise fault(where, "is not a JPEG of the kind that reports carry", "prepare it again")


def photo_attachment(data: bytes, *, name: str, shows: str = "") -> Attachment:
    """The entry of a record for a camera's file; raises :class:`InputFault` unless it can be prepared."""
    prepare_photo(data, where=name)
    kind = "image/png" if data.startswith(b"\x89PNG") else "image/webp" if data[8:12] == b"WEBP" else "image/jpeg"
    digest = hashlib.sha256(data).hexdigest()
    return Attachment(name=name, sha256=digest, media_type=kind, size=len(data), shows=shows)


def prepare_photos(record: Record, files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The prepared pictures of a record's photos by attachment name, from the files as taken.

    Photos without a file are left out: the report then shows their hash alone. Raises :class:`InputFault` listing
    every file that no attachment names, that has another hash than the record says, or that is no picture.
    """
    listed = {a.name: a for a in photos_of(record)}
    faults: list[Fault] = []
    prepared: dict[str, bytes] = {}
    for name, data in files.items():
        if name not in listed:
            faults.append(Fault(name, "is not among the photos of the record", "list it as an attachment"))
        elif hashlib.sha256(data).hexdigest() != listed[name].sha256:
            faults.append(
                Fault(name, "is not the file that the record lists: its SHA-256 differs", "find the file as taken")
            )
        else:
            try:
                prepared[name] = prepare_photo(data, where=name).jpeg
            except InputFault as error:
                faults.extend(error.faults)
    if len(prepared) > MOST_PHOTOS:
        faults.append(Fault("photos", f"are more than {MOST_PHOTOS}", "choose those that show something"))
    if faults:
        raise InputFault(faults)
    return prepared


def photos_of(record: Record) -> tuple[Attachment, ...]:
    """The attachments of a record that are photos."""
    return tuple(a for a in record.attachments if a.media_type.lower().startswith("image/"))


def embedded_names(record: Record) -> dict[str, str]:
    """Attachment name → name of the file that carries the prepared picture inside the report."""
    return {
        a.name: f"photo-{number:02d}-{PurePath(a.name).stem.rstrip('. ')[:80]}.jpg"
        for number, a in enumerate(photos_of(record), 1)
    }


def _in_srgb(image: Any) -> Any:
    """8-bit grey or RGB on white, in sRGB where the file carries a colour profile that can be used."""
    from PIL import Image, ImageCms

    if image.mode.startswith("I") or image.mode == "F":
        return image.point(lambda value: value / 256).convert("L")
    profile = image.info.get("icc_profile")
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        behind = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(behind, image.convert("RGBA")).convert("RGB")
    if profile and image.mode in ("RGB", "CMYK"):
        try:
            source = ImageCms.ImageCmsProfile(BytesIO(profile))
            image = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass
    return image if image.mode in ("L", "RGB") else image.convert("L" if image.mode == "1" else "RGB")


def _refuse_size(wide: int, high: int, where: str) -> None:
    if wide * high > MOST_PIXELS:
        most = f"{MOST_PIXELS // 10**6} million"
        raise fault(where, f"has {wide} × {high} pixels, more than {most}", "save it smaller")


def _refusal(data: bytes, where: str, error: Exception) -> InputFault:
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return fault(where, "is a HEIF picture, which can't be read here", "save it as JPEG")
    if type(error).__name__ == "UnidentifiedImageError":
        return fault(where, "is not a JPEG, PNG or WebP picture", "save it as one of these")
    if "DecompressionBomb" in type(error).__name__:
        return fault(where, "holds far more pixels than a photo", "save it smaller")
    said = " ".join(str(error).split())[:120]
    return fault(where, f"is broken or cut off ({said})", "take the file from the camera again")
