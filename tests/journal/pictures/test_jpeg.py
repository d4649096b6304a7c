"""What is taken as a picture of the diary: JPEG by ITU-T T.81, written by Pillow and by hand, and nothing with a place in it."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from helpers.diarypages import COMMENT, exif, picture, saved
from rushlight.journal.pictures.jpeg import LONGEST_PX, MOST_BYTES, PictureError, inspect


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"quality": 30}, {"subsampling": 0}, {"restart_marker_blocks": 2}]
)
def test_plain_pictures_are_taken_with_their_size(options: dict[str, object]) -> None:
    seen = inspect(saved(**options))
    assert (seen.width, seen.height, seen.frame, seen.mark) == (40, 30, (), ())


def test_the_marks_are_read_from_the_comment() -> None:
    seen = inspect(picture(1))
    assert seen.frame == (0.1, 0.1, 0.9, 0.1, 0.9, 0.7, 0.1, 0.7) and seen.mark == (0.5, 0.9)
    bare = inspect(picture(1, comment=COMMENT.partition(b" mark")[0]))
    assert len(bare.frame) == 8 and bare.mark == ()


def test_a_colour_profile_is_harmless() -> None:
    from PIL import ImageCms

    assert inspect(saved(icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())).width == 40


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (saved(exif=exif()), "place or device"),
        (saved(xmp=b"<x/>"), "place or device"),
        (saved(comment=b"rowan street"), "words"),
        (saved(comment=COMMENT.replace(b"0.9000", b"1.9000", 1)), "outside"),
        (saved() + b"more", "follows"),
        (saved()[:-2], "torn"),
        (saved()[:40], "torn"),
        (b"", "no JPEG"),
        (b"\x89PNG\r\n\x1a\n" + bytes(40), "no JPEG"),
        (b"\xff\xd8\xff\xd9", "no content"),
        (bytes(MOST_BYTES + 1), "larger"),
    ],
)
def test_everything_else_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(PictureError, match=words):
        inspect(data)


def test_a_picture_too_long_is_refused() -> None:
    with pytest.raises(PictureError, match="longer"):
        inspect(picture(1, size=(LONGEST_PX + 1, 8), quality=20))


def test_one_segment_at_a_time_may_not_smuggle_another() -> None:
    """A second comment, and Exif after the scan's data."""
    data = picture(2)
    comment = b"\xff\xfe" + (len(COMMENT) + 2).to_bytes(2, "big") + COMMENT
    with pytest.raises(PictureError, match="words"):
        inspect(data[:2] + comment + data[2:])
    hidden = b"\xff\xe1\x00\x10Exif\0\0" + bytes(8)
    with pytest.raises(PictureError, match="place or device"):
        inspect(data[:-2] + hidden + b"\xff\xd9")


@given(st.binary(max_size=400), st.integers(0, 1500), st.integers(0, 40))
def test_no_bytes_break_the_reading_or_bring_a_place_through(piece: bytes, at: int, cut: int) -> None:
    """What is taken reads in Pillow as a picture without Exif, or can't be read there at all."""
    good = picture(3)
    data = good[:at] + piece + good[at + cut :]
    try:
        seen = inspect(data)
    except PictureError:
        return
    assert 1 <= seen.width <= LONGEST_PX and 1 <= seen.height <= LONGEST_PX
    try:
        read = Image.open(io.BytesIO(data))
    except OSError:
        return
    assert not read.getexif() and read.size == (seen.width, seen.height)
