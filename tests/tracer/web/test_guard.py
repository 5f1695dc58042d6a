"""Who may talk to the page, and what is refused; after every refusal the server must still answer.

Statuses: RFC 9110 (403, 413, 415, 421, 422); against DNS rebinding and cross-site requests the Host and Origin headers
are checked (RFC 9110 7.2, RFC 6454 7.3); policies are W3C CSP 3.
"""

from __future__ import annotations

import io
import socket
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from PIL import Image

from tests.tracer.test_pattern import a_pattern
from tests.tracer.web.server import TOKEN, Running, running
from tracer.pattern import save


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, Path]]:
    job = tmp_path_factory.mktemp("around") / "job"
    job.mkdir()
    save(a_pattern(), job)
    (job.parent / "secret.json").write_text('{"secret": true}')
    (job / "sheet-s1.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>')
    with running(job, largest_bytes=3_000_000) as server:
        yield server, job


def lives(server: Running) -> bool:
    return server.client.get("/api/work").status_code == 200


def raw(server: Running, request: bytes, *, more: bytes = b"") -> bytes:
    """Send bytes as they are and return the answer's first line."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=20) as connection:
        connection.sendall(request)
        try:
            while more:
                connection.sendall(more)
        except OSError:
            pass
        try:
            return connection.recv(65536).split(b"\r\n")[0]
        except ConnectionResetError:
            return b""


def cookie(server: Running) -> str:
    return "; ".join(f"{c.name}={c.value}" for c in server.client.cookies.jar)


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1", "localhost:1", "127.0.0.1.evil.example"]
)
def test_a_foreign_host_is_misdirected(served: tuple[Running, Path], host: str) -> None:
    server, _ = served
    assert server.client.get("/api/state", headers={"host": host}).status_code == 421
    assert lives(server)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"])
def test_a_foreign_origin_is_forbidden(served: tuple[Running, Path], origin: str) -> None:
    server, _ = served
    for method, path in (("POST", "/api/undo"), ("GET", "/api/state"), ("PUT", "/api/inbox/a.png")):
        answer = server.client.request(method, path, headers={"origin": origin}, content=b"{}")
        assert answer.status_code == 403, (method, path)
    assert lives(server)


def test_a_change_without_origin_is_forbidden(served: tuple[Running, Path]) -> None:
    server, _ = served
    with httpx.Client(base_url=server.origin, cookies=server.client.cookies) as bare:
        assert bare.post("/api/undo", json={}).status_code == 403


def test_without_token_or_with_a_used_one_nobody_comes_in(served: tuple[Running, Path]) -> None:
    server, _ = served
    with httpx.Client(base_url=server.origin) as stranger:
        for path in ("/", "/api/state", "/job/pattern.json", "/static/js/main.js", f"/?token={TOKEN}", "/?token=x"):
            assert stranger.get(path).status_code == 403, path
    assert lives(server)


@pytest.mark.parametrize(
    "name", ["../secret.json", "..%2fsecret.json", "%2e%2e/secret.json", "a/../../secret.json", "....//secret.json",
             "%2e%2e%2f%2e%2e%2fetc%2fpasswd", ".hidden.json", "..\\secret.json", "%00"],
)  # fmt: skip
def test_nothing_outside_the_job_is_readable(served: tuple[Running, Path], name: str) -> None:
    server, _ = served
    head = f"GET /job/{name} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nCookie: {cookie(server)}\r\n\r\n"
    status = raw(server, head.encode())
    assert status.split()[1] in (b"404", b"400"), status
    assert lives(server)


def test_a_link_that_leads_out_of_the_job_is_not_followed(served: tuple[Running, Path]) -> None:
    server, job = served
    (job / "out.json").symlink_to(job.parent / "secret.json")
    assert server.client.get("/job/out.json").status_code == 404


@pytest.mark.parametrize("name", ["..%2f..%2fx.png", "a%2fb.png", "..%5cx.png", "..", "%2e%2e"])
def test_a_name_with_folders_is_not_taken_in(served: tuple[Running, Path], name: str) -> None:
    server, job = served
    head = (
        f"PUT /api/inbox/{name} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {server.origin}\r\n"
        f"Cookie: {cookie(server)}\r\nContent-Length: 3\r\n\r\nabc"
    )
    before = sorted(p.name for p in job.parent.iterdir())
    assert raw(server, head.encode()).split()[1] in (b"400", b"404", b"405")
    assert sorted(p.name for p in job.parent.iterdir()) == before
    assert lives(server)


def test_two_gigabytes_are_refused_before_they_are_sent(served: tuple[Running, Path]) -> None:
    server, _ = served
    head = (
        f"PUT /api/inbox/big.png HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {server.origin}\r\n"
        f"Cookie: {cookie(server)}\r\nContent-Length: 2147483648\r\n\r\n"
    )
    assert raw(server, head.encode()).split()[1] == b"413"
    assert lives(server)


def test_an_endless_upload_without_a_length_is_cut_off(served: tuple[Running, Path]) -> None:
    server, job = served
    head = (
        f"PUT /api/inbox/big.png HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {server.origin}\r\n"
        f"Cookie: {cookie(server)}\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    block = b"10000\r\n" + b"\x89PNG\r\n\x1a\n".ljust(65536, b"x") + b"\r\n"
    answer = raw(server, head.encode(), more=block)
    # The connection is closed on the sender: it reads the refusal, or finds itself cut off before it could.
    assert answer == b"" or answer.split()[1] == b"413"
    assert not list((job / "inbox").glob("*"))
    assert lives(server)


def a_png_that_claims(width: int, height: int) -> bytes:
    """A valid PNG header and one scan line of a picture that would need gigabytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    lines = zlib.compress(b"\0" * (width + 1) * 20, 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", lines) + chunk(b"IEND", b"")


BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    b'<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm"><text>&b;</text></svg>'
)
OUTSIDE = (
    b'<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    b'<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm"><text>&x;</text></svg>'
)
SCRIPT = b'<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm"><script>alert(1)</script></svg>'
HANDLER = b'<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm" onload="alert(1)"></svg>'


@pytest.mark.parametrize(
    ("name", "content", "status"),
    [
        ("huge.png", a_png_that_claims(60_000, 60_000), 422),
        ("bomb.svg", BOMB, 422),
        ("outside.svg", OUTSIDE, 422),
        ("script.svg", SCRIPT, 422),
        ("handler.svg", HANDLER, 422),
        ("page.html", b"<html><script>alert(1)</script></html>", 415),
        ("broken.jpg", b"\xff\xd8\xff\xe0" + b"\0" * 2000, 422),
        ("nothing.png", b"", 415),
    ],
)
def test_harmful_files_are_refused_and_not_kept(
    served: tuple[Running, Path], name: str, content: bytes, status: int
) -> None:
    server, job = served
    answer = server.client.put(f"/api/inbox/{name}", content=content)
    assert answer.status_code == status, answer.text
    assert answer.json()["message"]
    assert not (job / "inbox" / name).exists()
    assert lives(server)


def test_a_harmless_picture_is_taken_under_a_clean_name(served: tuple[Running, Path]) -> None:
    server, job = served
    held = io.BytesIO()
    Image.new("L", (60, 40), 200).save(held, "PNG")
    answer = server.client.put("/api/inbox/a%20b%3Cc%3E%22.png", content=held.getvalue())
    assert answer.status_code == 201, answer.text
    assert (job / "inbox" / answer.json()["file"]).is_file()
    assert not set("<>\"'") & set(answer.json()["file"])
    thumbnail = answer.json()["pages"][0]["thumbnail"]
    assert server.client.get(f"/job/inbox-pages/{thumbnail}").status_code == 200


def test_served_drawings_run_nothing(served: tuple[Running, Path]) -> None:
    server, _ = served
    answer = server.client.get("/job/sheet-s1.svg")
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_the_page_itself_may_load_only_what_comes_from_here(served: tuple[Running, Path]) -> None:
    server, _ = served
    policy = server.client.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    for word in ("http:", "https:", "*", "data:"):
        assert word not in policy


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"\xff", b'{"do": "move"}', b'{"do": "nothing"}', b'{"do": 3}'])
def test_a_change_that_is_none_is_told_so(served: tuple[Running, Path], body: bytes) -> None:
    server, _ = served
    answer = server.client.post("/api/change", content=body)
    assert answer.status_code in (400, 409), answer.text
    assert lives(server)


def test_a_request_that_never_ends_is_cut_off(served: tuple[Running, Path]) -> None:
    server, _ = served
    head = (
        f"POST /api/change HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {server.origin}\r\n"
        f"Cookie: {cookie(server)}\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    answer = raw(server, head.encode(), more=b"10000\r\n" + b"x" * 65536 + b"\r\n")
    assert answer == b"" or answer.split()[1] == b"413"
    assert lives(server)
