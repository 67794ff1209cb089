"""Hostile requests against the page's server: nothing is read, nothing is steered.

What a browser lets another page send is in the Fetch standard (https://fetch.spec.whatwg.org): simple requests such as
form posts go out without asking, with an Origin header; anything with a JSON content type is asked for first (OPTIONS).
DNS rebinding makes a name of the attacker's point to 127.0.0.1; the Host header then still holds that name (RFC 9110,
section 7.2).
"""

from __future__ import annotations

import http.client
import json
import socket
import time
from collections.abc import Iterator

import pytest

from bench.page.desk import Choice, Desk, Now
from bench.page.guard import LONGEST_BODY
from bench.page.server import PageServer

SECRET_WORDS = "Set the dial to 40"


@pytest.fixture(scope="module")
def server() -> Iterator[PageServer]:
    with PageServer(Desk()) as made:
        yield made


@pytest.fixture(autouse=True)
def desk(server: PageServer) -> Desk:
    made = server.desk
    made.allow(("pause", "skip", "note"))
    if paused(made):
        made.press("resume", "")
    made.tell(Now((SECRET_WORDS,), kind="ask", choices=(Choice("done", "Done"),)))
    return made


class Reply:
    """A status, headers and body."""

    def __init__(self, answer: http.client.HTTPResponse) -> None:
        self.status = answer.status
        self.headers = {name.lower(): value for name, value in answer.getheaders()}
        self.body = answer.read()


def ask(
    server: PageServer,
    method: str,
    path: str,
    *,
    host: str | None = None,
    body: bytes | None = None,
    **headers: str,
) -> Reply:
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    try:
        link.putrequest(method, path, skip_host=True)
        link.putheader("Host", host if host is not None else f"127.0.0.1:{server.port}")
        for name, value in headers.items():
            link.putheader(name.replace("_", "-"), value)
        if body is not None:
            link.putheader("Content-Length", str(len(body)))
        link.endheaders(body)
        return Reply(link.getresponse())
    finally:
        link.close()


def own(server: PageServer) -> str:
    return f"http://127.0.0.1:{server.port}"


def press(server: PageServer, what: str = "pause", **headers: str) -> Reply:
    sent = {"Origin": own(server), "Content_Type": "application/json", **headers}
    body = json.dumps({"what": what}).encode()
    return ask(server, "POST", f"/{server.key}/press", body=body, **{k: v for k, v in sent.items() if v})


def paused(desk: Desk) -> str:
    return str(desk.picture()["run"]["paused"])


def test_the_page_itself_is_served_and_steers(server: PageServer, desk: Desk) -> None:
    page = ask(server, "GET", f"/{server.key}/")
    assert page.status == 200
    assert b"<title>Bench page</title>" in page.body
    assert SECRET_WORDS in ask(server, "GET", f"/{server.key}/state").body.decode()
    assert press(server).status == 204
    assert paused(desk) == "pressed"
    assert press(server, "resume").status == 204
    assert paused(desk) == ""


def test_it_listens_on_the_loopback_interface_only(server: PageServer) -> None:
    assert server.address.startswith("http://127.0.0.1:")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # No packet is sent: this only asks which address of this machine leads outside.
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            pytest.skip("this machine has no other interface")
        outside = probe.getsockname()[0]
    with socket.socket() as caller:
        caller.settimeout(30)
        assert caller.connect_ex((outside, server.port)) != 0


@pytest.mark.parametrize("path", ["", "page.js", "page.css", "state", "events", "nothing"])
@pytest.mark.parametrize("key", ["", "A" * 32, "none/"])
def test_without_the_secret_nothing_is_there(server: PageServer, path: str, key: str) -> None:
    reply = ask(server, "GET", f"/{key}/{path}" if key else f"/{path}")
    assert reply.status == 404
    assert SECRET_WORDS.encode() not in reply.body
    assert server.key.encode() not in reply.body


def test_a_secret_that_is_nearly_right_is_wrong(server: PageServer) -> None:
    for near in (
        server.key[:-1],
        server.key + "A",
        server.key.swapcase(),
        server.key[1:],
        f"%00{server.key}",
    ):
        assert ask(server, "GET", f"/{near}/state").status == 404


@pytest.mark.parametrize(
    "host",
    [
        "rebound.example",
        "rebound.example:{port}",
        "localhost:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "[::1]:{port}",
        "",
    ],
)
def test_a_name_made_to_point_here_is_refused(server: PageServer, desk: Desk, host: str) -> None:
    named = host.format(port=server.port)
    reply = ask(server, "GET", f"/{server.key}/state", host=named)
    assert reply.status in (400, 421)
    assert SECRET_WORDS.encode() not in reply.body
    body = b'{"what": "pause"}'
    sent = {"Origin": f"http://{named}", "Content_Type": "application/json"}
    assert ask(server, "POST", f"/{server.key}/press", host=named, body=body, **sent).status in (400, 421)
    assert paused(desk) == ""


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1", "http://127.0.0.1:1", ""]
)
def test_another_origin_can_neither_read_nor_steer(server: PageServer, desk: Desk, origin: str) -> None:
    assert press(server, Origin=origin).status == 403
    assert paused(desk) == ""
    if origin:
        reply = ask(server, "GET", f"/{server.key}/state", Origin=origin)
        assert reply.status == 403
        assert SECRET_WORDS.encode() not in reply.body


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_the_browser_says_comes_from_elsewhere_is_refused(
    server: PageServer, desk: Desk, site: str
) -> None:
    for path in ("page.js", "state", "events"):
        assert ask(server, "GET", f"/{server.key}/{path}", Sec_Fetch_Site=site).status == 403
    assert press(server, Sec_Fetch_Site=site).status == 403
    assert paused(desk) == ""


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""]
)
def test_what_a_form_can_send_is_refused(server: PageServer, desk: Desk, kind: str) -> None:
    assert press(server, Content_Type=kind).status == 415
    assert paused(desk) == ""


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_only_a_post_changes_anything(server: PageServer, desk: Desk, method: str) -> None:
    ask_number = desk.picture()["now"]["ask"]
    for path in ("press?what=pause", f"answer?ask={ask_number}&choice=done"):
        reply = ask(server, method, f"/{server.key}/{path}", Origin=own(server))
        assert reply.status == 405
    assert paused(desk) == ""
    assert desk.picture()["now"]["ask"] == ask_number


def test_no_reply_invites_other_origins(server: PageServer) -> None:
    asked_first = ask(
        server,
        "OPTIONS",
        f"/{server.key}/press",
        Origin="http://evil.example",
        Access_Control_Request_Method="POST",
        Access_Control_Request_Headers="content-type",
    )
    for reply in (asked_first, ask(server, "GET", f"/{server.key}/state"), press(server)):
        assert not [name for name in reply.headers if name.startswith("access-control-")]
        assert "set-cookie" not in reply.headers
        assert "default-src 'none'" in reply.headers["content-security-policy"]
        assert "unsafe" not in reply.headers["content-security-policy"]
        assert reply.headers["x-frame-options"] == "DENY"
        assert reply.headers["x-content-type-options"] == "nosniff"
        assert reply.headers["referrer-policy"] == "no-referrer"
        assert reply.headers["cross-origin-resource-policy"] == "same-origin"
        assert reply.headers["cache-control"] == "no-store"


def test_a_body_too_large_is_not_read_to_its_end(server: PageServer, desk: Desk) -> None:
    sent = {"Origin": own(server), "Content_Type": "application/json"}
    body = b'{"what": "pause", "text": "' + b"x" * LONGEST_BODY + b'"}'
    reply = ask(server, "POST", f"/{server.key}/press", body=body, **sent)
    assert (reply.status, reply.body) == (413, b"Not here.\n")
    # Without a length, piece by piece, never ending.
    with socket.create_connection(("127.0.0.1", server.port), timeout=30) as link:
        head = (
            f"POST /{server.key}/press HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {own(server)}\r\n"
            "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        link.sendall(
            head.encode() + b"1000\r\n" + b"x" * 4096 + b"\r\n" + b"1000\r\n" + b"x" * 4096 + b"\r\n"
        )
        assert b" 413 " in link.recv(200)
    assert paused(desk) == ""


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"what": 7}',
        b'{"what": ["pause"]}',
        b"\xff\xfe",
        b"[" * 4000,
        b'{"ask": true}',
        b'{"choice": "done"}',
    ],
)
@pytest.mark.parametrize("path", ["press", "answer"])
def test_nonsense_is_answered_and_changes_nothing(
    server: PageServer, desk: Desk, body: bytes, path: str
) -> None:
    sent = {"Origin": own(server), "Content_Type": "application/json"}
    assert ask(server, "POST", f"/{server.key}/{path}", body=body, **sent).status == 400
    assert paused(desk) == ""


def test_two_hosts_in_one_request_are_refused(server: PageServer) -> None:
    with socket.create_connection(("127.0.0.1", server.port), timeout=30) as link:
        link.sendall(
            f"GET /{server.key}/state HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nHost: evil.example\r\n\r\n".encode()
        )
        told = link.recv(200)
    assert b" 200 " not in told
    assert b" 4" in told.split(b"\r\n")[0]


def test_an_upgrade_to_a_socket_is_no_way_in(server: PageServer) -> None:
    reply = ask(
        server,
        "GET",
        f"/{server.key}/events",
        Origin="http://evil.example",
        Connection="Upgrade",
        Upgrade="websocket",
        Sec_WebSocket_Key="AAAAAAAAAAAAAAAAAAAAAA==",
        Sec_WebSocket_Version="13",
    )
    assert reply.status == 403


def test_answers_to_questions_no_longer_asked_are_refused(server: PageServer, desk: Desk) -> None:
    sent = {"Origin": own(server), "Content_Type": "application/json"}
    stale = desk.picture()["now"]["ask"]
    desk.tell(Now(("Set the dial to 60",), kind="ask", choices=(Choice("done", "Done"),)))
    body = json.dumps({"ask": stale, "choice": "done"}).encode()
    assert ask(server, "POST", f"/{server.key}/answer", body=body, **sent).status == 409
    body = json.dumps({"ask": stale + 1, "choice": "format the disk"}).encode()
    assert ask(server, "POST", f"/{server.key}/answer", body=body, **sent).status == 409
    body = json.dumps({"ask": stale + 1, "choice": "done"}).encode()
    assert ask(server, "POST", f"/{server.key}/answer", body=body, **sent).status == 204


def test_a_refusal_arrives_though_the_body_comes_late(
    server: PageServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Closing on unread bytes resets the connection and can take the reply back (RFC 9112, section 9.6)."""
    # A machine that stands still between head and body is not the subject here.
    monkeypatch.setattr("bench.page.guard.BODY_S", 30.0)
    body = b'{"what": "pause"}'
    head = (
        f"POST /{server.key}/press HTTP/1.1\r\nHost: rebound.example\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    for _ in range(20):
        with socket.create_connection(("127.0.0.1", server.port), timeout=30) as link:
            link.sendall(head.encode())
            time.sleep(0.005)
            link.sendall(body)
            with link.makefile("rb") as reply:
                assert reply.read().endswith(b"\r\n\r\nNot here.\n")
