"""Scripts and styles of other people's libraries, served straight from their installed packages.

The only place that knows a path inside a package.
"""

from __future__ import annotations

import gzip
from functools import lru_cache
from importlib.metadata import version
from importlib.resources import files

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.errors import FileTrouble

_GRID = {
    "grid.js": ("static/tabulator/js/tabulator_esm.min.mjs", "text/javascript"),
    "grid.css": ("static/tabulator/css/tabulator_simple.min.css", "text/css"),
}
_CHARTS = "charts.js"
NAMES = (*_GRID, _CHARTS)
PATH = f"/packaged/{version('django-js-lib-tabulator')}-{version('vl-convert-python')}"
"""Holds the versions, so that browsers may keep the files until a package changes."""


@lru_cache
def packaged(name: str) -> tuple[bytes, str]:
    """A file by the desk's own name for it, zipped, and its media type.

    Raises KeyError for an unknown name, FileTrouble where the package lacks the file.
    """
    if name == _CHARTS:  # takes about a second
        import vl_convert

        return _zipped(vl_convert.javascript_bundle("export { vegaEmbed };")), "text/javascript"
    path, media_type = _GRID[name]
    file = files("js_lib_tabulator").joinpath(path)
    if not file.is_file():
        raise FileTrouble(f"django-js-lib-tabulator lacks {path}: install the version we require")
    # browsers would look for the maps for debuggers, which are not served
    return _zipped(file.read_text("utf-8").partition("//# sourceMappingURL")[0]), media_type


def check_packages() -> None:
    """Raise FileTrouble where a package lacks a file that the desk needs."""
    for name in _GRID:
        packaged(name)


def _serve(request: Request) -> Response:
    try:
        content, media_type = packaged(request.path_params["name"])
    except KeyError:
        return Response(status_code=404)
    headers = {"content-encoding": "gzip", "cache-control": "private, max-age=31536000, immutable"}
    return Response(content, media_type=media_type, headers=headers)


def _zipped(text: str) -> bytes:
    return gzip.compress(text.encode(), 6)


routes = [Route(f"{PATH}/{{name}}", _serve)]
