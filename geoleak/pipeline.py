"""The one composition: what the commands, a notebook and the tests call."""

from __future__ import annotations

import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

# Before any import that would bring it: read twenty imports deep numpy costs 30 ms more, because
# CPython 3.11 gives back and takes again the memory of frames at each call across its edge.
import numpy as np

from geoleak.site import Site

if TYPE_CHECKING:
    from geoleak.result import Result
    from geoleak.survey import Survey
    from geoleak.tables.learned import Tables


def read_site(folder: str | Path, *, tables: Tables | None = None) -> Site:
    """Return the site that a folder states.

    Parameters
    ----------
    folder : str or Path
        Holds site.toml and the files beside it.
    tables : Tables, optional
        Learned values (`geoleak.readers.read_tables`) in place of those that ``[tables]`` names.

    Raises
    ------
    InputError
        With every complaint found, each with its file, line and column.

    Examples
    --------
    >>> import geoleak
    >>> site = geoleak.read_site("sample_sites/alder_court")
    >>> site.title
    'Alder Court, yard service'
    """
    from geoleak.readers import read_site as read

    return read(folder, tables=tables)


def survey_site(site: Site) -> Survey:
    """Return the site put together: points projected, legs fitted, readings on the pipe."""
    from geoleak.survey import survey_site as build

    return build(site)


@cache
def _keep_freed_memory() -> None:
    """Let arrays take over memory that others gave back, where the C library is glibc.

    Its threshold starts at 128 kB: each larger array is taken from the system, page by page, and
    handed back. Giving back one of up to 32 MB raises the threshold to its size (mallopt(3)); this
    one is never touched. Measured: 0.11 of 0.55 s of a first `locate`, 1.0 of 2.7 s with two leaks.
    """
    np.empty(32_000_000, dtype=np.uint8)


def locate(site: Site, *, now: datetime.datetime | None = None) -> Result:
    """Return where the leak is, how sure that is, and what to do next.

    Parameters
    ----------
    site : Site
        As `read_site` returns it.
    now : datetime.datetime, optional
        Local time, only to judge whether the locate request is valid; without it the request's
        dates are stated and nobody is told that digging may start.

    Returns
    -------
    Result
        Same site, same result: nothing else in it depends on the clock, nothing on chance.

    Raises
    ------
    InputError
        Where a reading or a place does not fit the site.
    SiteDataError
        Where the data allow no answer.

    Examples
    --------
    >>> import geoleak
    >>> result = geoleak.locate(geoleak.read_site("sample_sites/alder_court"))
    >>> result.leak.leg
    'yard'
    """
    from geoleak.posterior import infer
    from geoleak.result import build_result
    from geoleak.route import one_blas_thread

    _keep_freed_memory()
    with one_blas_thread():
        survey = survey_site(site)
        return build_result(survey, infer(survey), now=now)
