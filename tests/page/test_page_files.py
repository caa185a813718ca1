"""The page's files as they are served: small, from this machine alone, under a strict policy, in every language."""

import asyncio
import gzip
import re

import pytest
from starlette.applications import Starlette

from controller.engine.http.page import page_routes
from controller.engine.http.routes import ADDRESSES
from controller.page import page_files
from tests.page.page_texts import FOLDER, FOLDERS, LANGUAGES, texts

SCRIPTS = {path.relative_to(FOLDER).as_posix(): path.read_text() for path in FOLDER.rglob("*.js")}
ALL_BYTES, FIRST_BYTES = 150_000, 40_000


APP = Starlette(routes=page_routes())


def fetch(address, **headers):
    """Status, headers and body of a GET, straight from the application (ASGI 3)."""
    sent = []

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message):
        sent.append(message)

    raw = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "method": "GET", "path": address, "headers": raw, "query_string": b"", "app": APP}
    asyncio.run(APP(scope, receive, send))
    found = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    return sent[0]["status"], found, b"".join(one.get("body", b"") for one in sent[1:])


def first_screen(language):
    """The addresses that a guest's browser asks for until the menu stands."""
    found = re.findall(r'(?:href|src)="(/page/[^"]+)"', (FOLDER / "index.html").read_text())
    return {"/", *found, f"/page/texts/{language}.json"}


def test_the_page_is_small_enough_for_a_slow_phone():
    sizes = {address: len(one.plain) for address, one in page_files().items()}
    assert sum(sizes.values()) <= ALL_BYTES
    for language in LANGUAGES:
        assert sum(sizes[address] for address in first_screen(language)) <= FIRST_BYTES


def test_the_first_screen_needs_no_file_that_is_not_named_in_its_first_lines():
    loaded, waiting = set(), {"main.js", "guest.js"}
    while waiting:
        name = waiting.pop()
        loaded.add(f"/page/{name}")
        waiting |= {one for one in re.findall(r"from '\./(.+?)';", SCRIPTS[name]) if f"/page/{one}" not in loaded}
    assert loaded <= first_screen("en")


def test_a_file_that_was_fetched_is_only_revalidated():
    for address, one in page_files().items():
        status, headers, body = fetch(address, accept_encoding="br, gzip")
        assert (status, headers["content-encoding"]) == (200, "gzip")
        assert gzip.decompress(body) == one.plain
        _, plain, body = fetch(address)
        assert body == one.plain
        assert "content-encoding" not in plain
        assert plain["etag"] != headers["etag"]  # RFC 9110, 8.8.3.3: each encoding has a tag of its own
        status, _, body = fetch(address, accept_encoding="gzip", if_none_match=headers["etag"])
        assert (status, body) == (304, b"")


def test_the_policy_allows_nothing_inline_no_other_host_and_no_frame():
    _, headers, _ = fetch("/")
    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert {policy[one] for one in ("script-src", "style-src", "connect-src", "img-src")} == {"'self'"}
    assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["x-content-type-options"] == "nosniff"


def test_no_file_names_another_host_or_makes_markup_of_text():
    for name, text in SCRIPTS.items():
        assert set(re.findall(r"https?://[^'\"]+", text)) <= {"http://www.w3.org/2000/svg"}, name
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", text), (
            name
        )
    page = (FOLDER / "index.html").read_text()
    assert not re.search(r"https?://|<style|style=|\son\w+=|<script(?![^>]*src=)", page)


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_language_has_every_text_with_the_same_placeholders(folder):
    first = texts(folder, LANGUAGES[0])
    for other in (texts(folder, language) for language in LANGUAGES[1:]):
        assert other.keys() == first.keys()
        differing = [key for key in first if names(first[key]) != names(other[key])]
        assert differing == []


def names(text):
    """What is filled into a text, or into any form of it."""
    forms = text.values() if isinstance(text, dict) else [text]
    return {name for form in forms for name in re.findall(r"{(\w+)}", form)}


def test_every_text_that_a_script_asks_for_is_there():
    known = {*texts("texts", "en"), *texts("rules", "en")}
    of_operator = known | {*texts("operator/texts", "en")}
    for name, text in SCRIPTS.items():
        asked = set(re.findall(r"\bt\('(\w+)'", text))
        assert asked <= (of_operator if name.startswith("operator/") else known), name


def test_the_page_asks_only_for_what_the_interface_describes():
    paths = [re.sub(r"{\w+}", "x", one.path.removeprefix("/v1/")) for one in ADDRESSES]
    asked = {
        re.sub(r"\?.*", "", re.sub(r"\${[^}]*}", "x", found))
        for text in SCRIPTS.values()
        for found in re.findall(r"(?<![.\w])(?:get|post|begin)\([`']([^`']+)[`']", text)
        + re.findall(r"\bask\('\w+', [`']([^`']+)[`']", text)
    }
    assert len(asked) > 20
    assert {one for one in asked if not any(is_like(one, path) for path in paths)} == set()


def is_like(asked, path):
    """Whether an address of the page can be this one; x stands for any part."""
    one, other = asked.split("/"), path.split("/")
    return len(one) == len(other) and all(a == b or "x" in (a, b) for a, b in zip(one, other, strict=True))
