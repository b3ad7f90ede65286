"""Photos of a site's folder as a report shows them: scaled, upright, without their place."""

from __future__ import annotations

import io
from collections.abc import Sequence

from geoleak.errors import Complaint, InputError
from geoleak.record import Record
from geoleak.site import NOWHERE, Site

MOST_BYTES = 30_000_000
MOST_LOGO_BYTES = 2_000_000
# A photo's own file may say few bytes and mean a wall of pixels.
MOST_PIXELS = 80_000_000
LONGEST, LONGEST_LOGO = 1400, 400
# EXIF: where a camera writes latitude and longitude.
GPS_TAG = 0x8825


class Photo(Record):
    """A JPEG as it goes into a report, with its size in pixels and its name."""

    name: str
    data: bytes
    width: int
    height: int


def photos_of(
    site: Site, names: Sequence[str], *, keep_position: bool, logo: bool = False
) -> tuple[Photo, ...]:
    """Return photos of a site, ready for a report.

    Raises
    ------
    InputError
        For each file that is no photo, or too large a one.
    """
    wrong: list[Complaint] = []
    found = []
    for name in names:
        origin = site.origins.get("job.logo" if logo else "photos.file", NOWHERE)
        try:
            found.append(_photo(site, name, keep_position=keep_position, logo=logo))
        except (OSError, ValueError, SyntaxError) as error:
            why = str(error) if isinstance(error, ValueError) else "is no JPEG, PNG or TIFF"
            wrong.append(Complaint(origin, f'"{name}" {why}', "name a photo of the site's folder"))
    if wrong:
        raise InputError(wrong)
    return tuple(found)


def _photo(site: Site, name: str, *, keep_position: bool, logo: bool) -> Photo:
    from PIL import Image, ImageOps

    path = site.folder / name
    most = MOST_LOGO_BYTES if logo else MOST_BYTES
    if path.stat().st_size > most:
        raise ValueError(f"is larger than {most // 1_000_000} MB")
    with Image.open(path, formats=("JPEG", "PNG", "TIFF")) as opened:
        if opened.width * opened.height > MOST_PIXELS:
            raise ValueError(f"has more than {MOST_PIXELS // 1_000_000} million pixels")
        position = opened.getexif().get_ifd(GPS_TAG) if keep_position else {}
        upright = ImageOps.exif_transpose(opened)
        made = Image.new("RGB", upright.size, "white")
        with_mask = upright.convert("RGBA")
        made.paste(with_mask, mask=with_mask.getchannel("A"))
    made.thumbnail((LONGEST_LOGO if logo else LONGEST,) * 2)
    exif = Image.Exif()
    if position:
        exif[GPS_TAG] = dict(position)
    stream = io.BytesIO()
    made.save(stream, "JPEG", quality=85, exif=exif)
    return Photo(name, stream.getvalue(), *made.size)
