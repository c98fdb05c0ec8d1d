import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from bench.errors import InputError
from bench.page.photos import LONGEST_SIDE, MOST_BYTES, cleaned


def picture(kind: str, size: tuple[int, int] = (40, 30), **more: object) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, "white").save(out, kind, **more)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_comes_out_as_jpeg(kind: str) -> None:
    with Image.open(io.BytesIO(cleaned(picture(kind)))) as made:
        assert (made.format, made.size) == ("JPEG", (40, 30))


def test_where_a_photo_was_taken_does_not_stay_in_it() -> None:
    exif = Image.Exif()
    exif[0x010F] = "maker of the phone"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)

    made = cleaned(picture("JPEG", exif=exif.tobytes()))

    assert b"maker of the phone" not in made
    with Image.open(io.BytesIO(made)) as again:
        assert dict(again.getexif()) == {}


def test_what_hides_behind_a_picture_is_gone() -> None:
    assert b"<script>" not in cleaned(picture("JPEG") + b"<script>alert(1)</script>")


def test_a_big_photo_is_made_smaller() -> None:
    with Image.open(io.BytesIO(cleaned(picture("PNG", (4000, 1000))))) as made:
        assert made.size == (LONGEST_SIDE, LONGEST_SIDE // 4)


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a", b"<svg onload=alert(1)>", picture("GIF"), picture("BMP"), picture("JPEG")[:60]]
)
def test_what_is_no_photo_is_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="no photo"):
        cleaned(data)


def test_too_much_is_refused_before_it_is_decoded() -> None:
    with pytest.raises(InputError, match="at most"):
        cleaned(b"\xff\xd8" + bytes(MOST_BYTES))


@given(st.binary(max_size=300))
def test_any_bytes_are_a_picture_or_an_input_error(data: bytes) -> None:
    with pytest.raises(InputError):
        cleaned(data)
