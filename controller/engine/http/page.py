"""The page's files over HTTP: without a token, since they hold nothing secret, and with a strict security policy."""

from collections.abc import Awaitable, Callable

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.page import PageFile, page_files

# Content Security Policy Level 3 (W3C): nothing inline, no other host, in no frame, no string that becomes markup.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-cache",  # kept, and asked for again by its ETag: an upgrade is seen at once
    "vary": "accept-encoding",
}


def page_routes() -> list[Route]:
    """A route for each file."""
    return [Route(address, _answer(one), methods=["GET"]) for address, one in page_files().items()]


def is_page(method: str, path: str) -> bool:
    """Whether a request is for one of the page's files."""
    return method in {"GET", "HEAD"} and path in page_files()


def _answer(one: PageFile) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        """The file, compressed where the browser takes that; 304 when it has it already (RFC 9110, 13.1.2)."""
        packed = "gzip" in request.headers.get("accept-encoding", "")
        etag = f'"{one.etag}{"-gz" if packed else ""}"'
        headers = HEADERS | {"etag": etag}
        if etag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        if packed:
            headers["content-encoding"] = "gzip"
        return Response(one.compressed if packed else one.plain, headers=headers, media_type=one.media_type)

    return answer
