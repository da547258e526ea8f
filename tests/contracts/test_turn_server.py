"""The page's server answers the page alone, and goes on answering it whatever else is sent.

Authority: what browsers send and what attackers can (the Fetch standard on Origin and
Sec-Fetch-Site; DNS rebinding, cross-site requests, path climbing, floods), over real sockets.
"""

import http.client
import json
import socket
import threading
import time

import numpy as np
import pytest

from vadist.designs.files import design_text, load_design
from vadist.turning import guard, saving, server, work

RATE = 48_000
NAME = "treble_boost"


class Running:
    """A server in a thread, and a page's way of asking it."""

    def __init__(self, folder, linger_s=600.0):
        time_s = np.arange(RATE // 5) / RATE
        take = 0.1 * np.sin(2 * np.pi * 220.0 * time_s)[:, None]
        desk = work.Desk(load_design(NAME), design_text(NAME), take, RATE, threads=2)
        keeper = saving.Keeper(folder.resolve(), NAME, "take.wav")
        self.served = server.Served(desk, keeper, linger_s)
        self.server, listening, self.address = server.made_server(self.served)
        self.port = listening.getsockname()[1]
        self.token = self.address.partition("token=")[2]
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [listening]})
        self.thread.start()
        self.own = {
            "Host": f"127.0.0.1:{self.port}",
            "Origin": f"http://127.0.0.1:{self.port}",
            guard.TOKEN_HEADER: self.token,
            guard.CLIENT_HEADER: "page",
        }
        assert self.ask("begin", {"settings": {}})[0] == 200

    def send(self, method, path, body=b"", headers=None):
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            link.request(method, path, body, headers or {})
            answer = link.getresponse()
            return answer.status, answer.read(), answer.headers
        finally:
            link.close()

    def ask(self, name, body, **headers):
        given = {k: v for k, v in (self.own | headers).items() if v is not None}
        status, content, _ = self.send("POST", f"/{name}", json.dumps(body).encode(), given)
        return status, json.loads(content) if name != "sound" or status != 200 else content

    def raw(self, text, wait_s=5.0):
        with socket.create_connection(("127.0.0.1", self.port), timeout=wait_s) as link:
            link.sendall(text)
            return link.recv(4096)

    def stop(self):
        self.server.should_exit = True
        self.thread.join(20)
        assert not self.thread.is_alive()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("turned") / "kept"


@pytest.fixture(scope="module")
def running(folder):
    found = Running(folder)
    yield found
    found.stop()


@pytest.fixture(autouse=True)
def page_still_works(running):
    yield
    status, sound = running.ask("sound", {"settings": {}, "draft": 0, "number": 1e9})
    assert status == 200
    assert np.isfinite(np.frombuffer(sound[4 + int.from_bytes(sound[:4], "little") :], "<f4")).all()
    running.served.newest.clear()


def one_line(content):
    found = json.loads(content)
    assert set(found) == {"error"}
    assert "\n" not in found["error"]
    return found["error"]


def test_it_listens_on_the_loopback_interface_alone(running) -> None:
    addresses = {s.getsockname()[0] for server in running.server.servers for s in server.sockets}
    assert addresses == {"127.0.0.1"}


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost:1", "127.0.0.1", "127.0.0.1:1", "[::1]:80", ""]
)
def test_a_foreign_host_is_refused(running, host) -> None:
    """A name that an attacker's DNS leads here comes with that name as Host."""
    status, _ = running.ask("step", {}, Host=host)
    assert status == 421
    status, content, _ = running.send("GET", f"/?token={running.token}", headers={"Host": host})
    assert status == 421
    assert "address" in one_line(content)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", None])
def test_a_foreign_origin_is_refused(running, origin) -> None:
    assert running.ask("command", {"settings": {}}, Origin=origin)[0] == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_request_from_another_site_is_refused(running, site) -> None:
    assert running.ask("command", {"settings": {}}, **{"Sec-Fetch-Site": site})[0] == 403


@pytest.mark.parametrize("token", [None, "", "x" * 43, "\u00e9"])
def test_without_the_token_nothing_is_answered(running, token) -> None:
    assert running.ask("fields", {"settings": {}}, **{guard.TOKEN_HEADER: token})[0] == 401
    assert running.send("GET", "/", headers={"Host": running.own["Host"]})[0] == 401
    assert running.send("GET", "/?token=wrong", headers={"Host": running.own["Host"]})[0] == 401


def test_a_second_page_takes_over_and_the_first_is_told(running) -> None:
    other = {guard.CLIENT_HEADER: "other page"}
    assert running.ask("alive", {}, **other)[0] == 409
    assert running.ask("begin", {"settings": {}}, **other)[0] == 200
    status, told = running.ask("alive", {})
    assert status == 409
    assert "taken over" in told["error"]
    assert running.ask("begin", {"settings": {}})[0] == 200


@pytest.mark.parametrize(
    "path", ["/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/static/..%2f..%2fsecret",
             "//etc/passwd", "/turn.js", "/?token="],
)  # fmt: skip
def test_no_path_leads_to_a_file(running, path) -> None:
    separator = "&" if "?" in path else "?"
    for method in ("GET", "HEAD", "PUT", "DELETE", "OPTIONS"):
        headers = {k: v for k, v in running.own.items() if k != guard.CLIENT_HEADER}
        full = f"{path}{separator}token={running.token}" if path != "/?token=" else path
        assert running.send(method, full, headers=headers)[0] in (401, 404, 405)
    assert running.send("POST", path, b"{}", running.own)[0] in (404, 405)


@pytest.mark.parametrize(
    "name", ["../escaped", "..", "/tmp/escaped", "a/b", "a\\b", "", "a" * 61, "con", "a.b", "a\0b",
             ".hidden", "-x"],
)  # fmt: skip
def test_nothing_is_written_outside_the_folder(running, folder, name) -> None:
    for kind, body in (("save", {"settings": {}}), ("audition", {"kept": [{"volume": "none"}]})):
        status, told = running.ask(kind, {**body, "name": name})
        assert status in (400, 422)
        assert "\n" not in told["error"]
    assert not folder.exists() or not list(folder.iterdir())
    assert not list(folder.parent.glob("*escaped*"))


def test_a_folder_or_file_that_became_a_link_is_not_followed(running, folder, tmp_path) -> None:
    folder.parent.mkdir(exist_ok=True)
    folder.symlink_to(tmp_path, target_is_directory=True)
    try:
        assert running.ask("save", {"settings": {}, "name": "linked"})[0] == 422
    finally:
        folder.unlink()
    folder.mkdir()
    (folder / "there.toml").symlink_to(tmp_path / "elsewhere.toml")
    assert running.ask("save", {"settings": {}, "name": "there"})[0] == 422
    assert not list(tmp_path.iterdir())
    (folder / "there.toml").unlink()


def test_what_is_saved_renders_alike_and_nothing_is_replaced(running, folder) -> None:
    settings = {"boost.emitter_resistor": "150R", "level": "0.4"}
    status, told = running.ask("save", {"settings": settings, "name": "mine"})
    assert (status, told["path"]) == (200, str(folder.resolve() / "mine.toml"))
    saved = load_design(folder / "mine.toml")
    assert saved == running.served.desk.changed(settings)
    kept = [line for line in design_text(NAME).splitlines() if line.startswith("#")]
    assert all(line in (folder / "mine.toml").read_text() for line in kept)
    status, told = running.ask("save", {"settings": {}, "name": "mine"})
    assert status == 422
    assert "exists" in told["error"]
    assert load_design(folder / "mine.toml") == saved


def test_a_body_of_a_gigabyte_is_refused_unread(running) -> None:
    head = "".join(f"{name}: {value}\r\n" for name, value in running.own.items())
    begun = time.monotonic()
    answer = running.raw(
        f"POST /step HTTP/1.1\r\n{head}Content-Length: 1073741824\r\n\r\n".encode()
    )
    assert answer.startswith(b"HTTP/1.1 413")
    assert time.monotonic() - begun < 3.0


def test_a_body_without_an_end_is_cut_off(running) -> None:
    head = "".join(f"{name}: {value}\r\n" for name, value in running.own.items())
    with socket.create_connection(("127.0.0.1", running.port), timeout=10) as link:
        link.sendall(f"POST /step HTTP/1.1\r\n{head}Transfer-Encoding: chunked\r\n\r\n".encode())
        sent = 0
        try:
            while sent < 50_000_000:
                link.sendall(b"10000\r\n" + b"x" * 65536 + b"\r\n")
                sent += 65536
        except OSError:  # it hung up
            pass
    assert sent < 20_000_000


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"nonsense", b"\xff\xfe", b'{"settings": 3}', b"[" * 60000,
             b'{"settings": {"drive": 1}}', b'{"number": NaN, "settings": {}, "draft": 0}',
             b'{"settings": {"a": "b\\u0000"}}'],
)  # fmt: skip
def test_malformed_json_is_one_line(running, body) -> None:
    for name in ("sound", "curves", "step", "save", "audition", "begin"):
        status, content, _ = running.send("POST", f"/{name}", body, running.own)
        assert status in (400, 422), name
        one_line(content)
    assert running.ask("begin", {"settings": {}})[0] == 200


@pytest.mark.parametrize(
    ("settings", "said"),
    [({"boost.emitter_resistr": "1k"}, "did you mean 'boost.emitter_resistor'"),
     ({"boost.emitter_resistor": "-3"}, "boost.emitter_resistor"),
     ({"boost.transistor": "/etc/passwd"}, "must be a known transistor"), ({"": ""}, "")],
)  # fmt: skip
def test_values_without_sense_are_told_as_everywhere(running, settings, said) -> None:
    status, told = running.ask("sound", {"settings": settings, "draft": 1, "number": 2})
    assert status == 422
    assert said in told["error"]


def test_a_thousand_requests_at_once_are_answered_or_told_to_wait(running) -> None:
    wanted = json.dumps({"settings": {}, "level": 0.1, "number": 3}).encode()
    head = "".join(f"{name}: {value}\r\n" for name, value in running.own.items())
    ask = f"POST /scope HTTP/1.1\r\n{head}Content-Length: {len(wanted)}\r\n\r\n".encode() + wanted
    links, seen, heads = [], [], []
    for _ in range(1000):
        try:
            link = socket.create_connection(("127.0.0.1", running.port), timeout=30)
            link.sendall(ask)
            links.append(link)
        except OSError:
            seen.append(b"")
    for link in links:
        try:
            heads.append(link.recv(1024))
            seen.append(heads[-1][9:12])
        except OSError:
            seen.append(b"")
        link.close()
    assert set(seen) <= {b"200", b"204", b"503", b""}
    assert seen.count(b"503") > 500
    assert all(b"application/json" in head for head in heads if b"503" in head[:16])


def test_the_newest_sound_wins(running) -> None:
    assert running.ask("sound", {"settings": {}, "draft": 0, "number": 10})[0] == 200
    body = json.dumps({"settings": {}, "draft": 0, "number": 9}).encode()
    status, content, _ = running.send("POST", "/sound", body, running.own)
    assert (status, content) == (204, b"")


def test_no_web_socket_is_opened(running) -> None:
    head = "".join(f"{name}: {value}\r\n" for name, value in running.own.items())
    upgrade = "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    key = "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
    answer = running.raw(f"GET / HTTP/1.1\r\n{head}{upgrade}{key}\r\n".encode())
    assert not answer.startswith(b"HTTP/1.1 101")


def test_the_page_is_kept_to_itself(running) -> None:
    headers = {"Host": running.own["Host"]}
    status, content, told = running.send("GET", f"/?token={running.token}", headers=headers)
    assert status == 200
    policy = told["content-security-policy"]
    nonce = policy.partition("'nonce-")[2].partition("'")[0]
    assert len(nonce) >= 16
    assert f'<script nonce="{nonce}">'.encode() in content
    assert b"unsafe" not in policy.encode()
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    wanted = {
        "cache-control": "no-store", "x-content-type-options": "nosniff",
        "referrer-policy": "no-referrer", "x-frame-options": "DENY",
    }  # fmt: skip
    assert wanted.items() <= dict(told.items()).items()
    assert "access-control-allow-origin" not in told
    other = running.send("GET", f"/?token={running.token}", headers=headers)[2]
    assert other["content-security-policy"] != policy
    for method, path in (("GET", "/nothing"), ("POST", "/alive")):
        assert "frame-ancestors 'none'" in running.send(method, path)[2]["content-security-policy"]


def test_it_stops_when_the_page_is_closed_for_a_while(tmp_path) -> None:
    found = Running(tmp_path, linger_s=0.3)
    found.thread.join(10)
    assert not found.thread.is_alive()
    assert found.server.closed_page


def test_a_sine_is_told_at_every_node(running) -> None:
    """At a node inside as at the output it drives: what the coupling capacitor lets through."""
    status, told = running.ask("scope", {"settings": {}, "level": 0.01, "number": 4})
    assert status == 200
    status, flat = running.ask("curves", {"settings": {}, "number": 4})
    assert set(flat["responses"]) == set(told["traces"]) - {"source"}
    assert set(flat["responses"]) > set(running.served.desk.design.stages)
    at_220 = int(np.argmin(np.abs(np.array(flat["frequencies"]) - 220.0)))
    held = 0
    for place, levels in flat["responses"].items():
        if levels[at_220] > -40.0 and told["distortion"][place] < 1.0:
            gain_db = 20.0 * np.log10(np.ptp(told["traces"][place]) / 0.02)
            assert gain_db == pytest.approx(levels[at_220], abs=0.3), place
            held += 1
    assert held >= 4
