"""Photos in the report: what a camera adds is gone, hashes are there, hostile files get a clear fault."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from PIL import Image, ImageDraw
from PIL.ImageCms import ImageCmsProfile, createProfile

from diagnb.errors import InputFault
from diagnb.evaluation import evaluate
from diagnb.record import Record, load_record, plain
from diagnb.report import photo_attachment, prepare_photo, prepare_photos, render_report
from diagnb.report.photos import embedded_names, read_photo
from diagnb.shipped import templates_directory

MOMENT = datetime(2026, 3, 2, 15, 45, tzinfo=UTC)


def picture(width: int = 900, height: int = 600, mode: str = "RGB") -> Image.Image:
    image = Image.new("RGB", (width, height), "#d8d2c4")
    draw = ImageDraw.Draw(image)
    draw.rectangle((width // 8, height // 4, width // 2, height // 2), fill="#3a3a3a")
    draw.ellipse(
        (width // 2, height // 3, width - width // 20, height - height // 20),
        outline="#7a3b12",
        width=max(1, width // 50),
    )
    return image.convert(mode)


def camera_file(image: Image.Image | None = None, **options: Any) -> bytes:
    """A JPEG as a camera writes it: place, device, time, turned, comment, thumbnail, colour profile."""
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F] = "INVENTED-CAMERA"
    exif[0x0132] = "2026:03:02 08:15:00"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (48.0, 8.0, 14.5), "E", (11.0, 34.0, 31.0)
    out = io.BytesIO()
    (image or picture()).save(
        out, "JPEG", exif=exif, comment=b"INVENTED-COMMENT", icc_profile=ImageCmsProfile(createProfile("sRGB")).tobytes(), **options
    )  # fmt: skip
    return out.getvalue()


def png(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def demo(files: dict[str, bytes], **shows: str) -> Record:
    document = plain(load_record(templates_directory() / "demo-record.json"))
    document["attachments"] = [
        photo_attachment(data, name=name, shows=shows.get(name.split(".")[0], "")).model_dump()
        for name, data in files.items()
    ]
    return load_record(document)


def test_what_a_camera_adds_is_left_out() -> None:
    data = camera_file()
    assert b"INVENTED-CAMERA" in data and b"INVENTED-COMMENT" in data
    photo = prepare_photo(data)
    for secret in (b"INVENTED", b"Exif", b"GPS", b"ICC_PROFILE", b"2026:03:02"):
        assert secret not in photo.jpeg
    with Image.open(io.BytesIO(photo.jpeg)) as shown:
        assert not shown.getexif()
        assert shown.size == (600, 900), "turned upright as the camera said"
        assert shown.getpixel((300, 300)) != shown.getpixel((10, 10))
    assert photo.original_sha256 == hashlib.sha256(data).hexdigest()
    assert photo.sha256 == hashlib.sha256(photo.jpeg).hexdigest()


def test_the_same_file_gives_the_same_bytes() -> None:
    data = camera_file()
    assert prepare_photo(data).jpeg == prepare_photo(data).jpeg


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "CMYK", "I;16", "YCbCr"])
def test_every_kind_of_picture_becomes_grey_or_rgb(mode: str) -> None:
    out = io.BytesIO()
    image = Image.new("I;16", (80, 60), 30_000) if mode == "I;16" else picture(80, 60, mode)
    image.save(out, "JPEG" if mode in ("CMYK", "YCbCr") else "PNG")
    photo = prepare_photo(out.getvalue())
    assert (photo.width, photo.height) == (80, 60)
    assert read_photo(photo.jpeg).grey == photo.grey
    if mode == "I;16":
        with Image.open(io.BytesIO(photo.jpeg)) as shown:
            assert abs(shown.getpixel((5, 5)) - 30_000 / 256) < 3


def test_what_is_transparent_is_shown_on_white() -> None:
    photo = prepare_photo(png(Image.new("RGBA", (60, 40), (255, 0, 0, 0))))
    with Image.open(io.BytesIO(photo.jpeg)) as shown:
        assert min(shown.getpixel((10, 10))) > 250


def test_a_photo_of_50_megapixels_becomes_a_small_one() -> None:
    data = camera_file(picture(8660, 5774), quality=60)
    photo = prepare_photo(data)
    assert (photo.width, photo.height) == (1067, 1600)
    assert len(photo.jpeg) < 400_000


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few hundred bytes that says it has width × height pixels."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(5000))) + chunk(b"IEND", b"")
    )


def text_bomb() -> bytes:
    good = png(picture(20, 20))
    body = b"k\x00\x00" + zlib.compress(bytes(80 * 2**20))
    return (
        good[:33]
        + struct.pack(">I", len(body))
        + b"zTXt"
        + body
        + struct.pack(">I", zlib.crc32(b"zTXt" + body))
        + good[33:]
    )


HOSTILE = {
    "empty": b"",
    "text": b"this is no photo",
    "html": b"<html><img src=x></html>",
    "pdf": b"%PDF-1.7\n%%EOF",
    "svg": b'<svg xmlns="http://www.w3.org/2000/svg"/>',
    "truncated jpeg": camera_file()[:4000],
    "only a header": camera_file()[:30],
    "truncated png": png(picture())[:700],
    "bomb": bomb(60_000, 60_000),
    "wide bomb": bomb(9_000, 9_000),
    "one row short": bomb(400, 300),
    "text bomb": text_bomb(),
    "heif": b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic",
    "gif": b"GIF89a" + bytes(40),
    "postscript": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_file_that_is_no_whole_photo_is_a_clear_fault(name: str) -> None:
    with pytest.raises(InputFault) as caught:
        prepare_photo(HOSTILE[name], where="IMG_1.jpg")
    assert caught.value.faults[0].where == "IMG_1.jpg"
    assert caught.value.faults[0].repair


def test_a_picture_with_data_behind_its_end_loses_it() -> None:
    photo = prepare_photo(camera_file() + b"INVENTED-TAIL" * 10)
    assert b"INVENTED" not in photo.jpeg


@pytest.mark.system
def test_photos_stand_in_the_report_tagged_attached_and_hashed(tmp_path: Path) -> None:
    files = {
        "IMG_1.jpg": camera_file(),
        "stud.png": png(picture(500, 700)),
        "IMG_3.jpg": camera_file(picture(400, 400, "L")),
    }
    record = demo(files, IMG_1="ground stud before cleaning <b>", stud="ground stud after")
    prepared = prepare_photos(record, files)
    pdf = render_report(record, evaluate(record), moment=MOMENT, photos=prepared)
    assert pdf == render_report(record, evaluate(record), moment=MOMENT, photos=prepared)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        for name, inside in embedded_names(record).items():
            assert opened.attachments[inside].get_file().read_bytes() == prepared[name]
            assert str(opened.attachments[inside].obj.AFRelationship) == "/Supplement"
        images = [x for page in opened.pages for x in page.get_images().values()]
        assert sorted(x.read_raw_bytes() for x in images) == sorted(prepared.values())
        assert all(str(x.Filter) == "/DCTDecode" for x in images)
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf)
    assert subprocess.run(["qpdf", "--check", str(path)], capture_output=True, check=False).returncode == 0
    tree = subprocess.run(["pdfinfo", "-struct", str(path)], capture_output=True, text=True, check=True).stdout
    assert tree.count("Figure") >= 4
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    assert "ground stud before cleaning <b>" in text
    flat = "".join(text.split())
    for name, data in files.items():
        assert hashlib.sha256(data).hexdigest()[:24] in flat
        assert hashlib.sha256(prepared[name]).hexdigest()[:24] in flat


def test_only_the_files_that_the_record_lists_are_taken() -> None:
    files = {"IMG_1.jpg": camera_file()}
    record = demo(files)
    with pytest.raises(InputFault, match="SHA-256 differs"):
        prepare_photos(record, {"IMG_1.jpg": camera_file(picture(90, 60))})
    with pytest.raises(InputFault, match="not among the photos"):
        prepare_photos(record, {"other.jpg": files["IMG_1.jpg"]})
    with pytest.raises(InputFault, match="carries data besides"):
        render_report(record, evaluate(record), moment=MOMENT, photos=files)


def test_a_photo_that_is_lost_leaves_its_hash() -> None:
    record = demo({"IMG_1.jpg": camera_file()})
    assert prepare_photos(record, {}) == {}
    render_report(record, evaluate(record), moment=MOMENT)
