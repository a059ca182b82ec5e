"""Attacks that the OWASP Cheat Sheet Series describes, each tried on a desk that runs.

Source: the cheat sheets named at each test (OWASP Cheat Sheet Series; names from memory). Nothing
of them is copied.
"""

import json
import os
import resource
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from pwmscope.desk.folder import safe_name
from tests.desk.conftest import Desk, wait_for

SMALL = b"time,RX1\n0,0\n0.01,1\n"


def test_dns_rebinding_meets_an_address_that_is_not_its_own(desk):
    """Server-side request forgery prevention; the Host header is what rebinding cannot change."""
    for host in ("evil.example", f"evil.example:{desk.port}", "127.0.0.1", "0.0.0.0", ""):
        status, _, body = desk.ask("GET", "/", Host=host)
        assert status in {400, 421}, host
        assert b"Bench" not in body


def test_another_site_cannot_post(desk):
    """Cross-Site Request Forgery Prevention: origin checked, cookie of the same site only."""
    before = desk.names()  # other tests of this module may have left files in the folder
    for origin in ("http://evil.example", "null", f"http://127.0.0.1:{desk.port + 1}", None):
        status, _, _ = desk.ask("POST", "/try", b"", Origin=origin)
        assert status == 403, origin
    status, _, _ = desk.ask("POST", "/try", b"", Sec_Fetch_Site="cross-site")
    assert status == 403
    assert desk.names() == before


def test_another_site_cannot_read_or_load(desk):
    """Cross-origin reading: neither a script's request nor a picture or frame is answered."""
    assert desk.ask("GET", "/events", Origin="http://evil.example")[0] == 403
    assert desk.ask("GET", "/answer", Sec_Fetch_Site="cross-site")[0] == 403
    _, headers, _ = desk.ask("GET", "/")
    assert "access-control-allow-origin" not in headers
    assert headers["cross-origin-resource-policy"] == "same-origin"


@pytest.mark.parametrize("path", ["/", "/upload", "/events", "/assets/desk.css", "/day/sheet.pdf"])
def test_nothing_is_served_without_the_token(desk, path):
    """Session Management: an address without the token, or with a wrong one, opens nothing."""
    assert desk.ask("GET", path, cookie="")[0] == 403
    assert desk.ask("GET", path, cookie=f"desk-{desk.port}=guess")[0] == 403
    assert desk.ask("GET", f"{path}?token=guess", cookie="")[0] == 403


def test_the_cookie_is_kept_from_scripts_and_other_sites(desk):
    """Session Management: HttpOnly and SameSite; the token leaves the address at once."""
    query = desk.address.partition("/?")[2]
    status, headers, _ = desk.ask("GET", f"/?{query}", cookie="")
    assert status == 303
    assert headers["location"] == "/"
    told = headers["set-cookie"].lower()
    assert "httponly" in told
    assert "samesite=strict" in told


def test_each_start_has_a_token_of_its_own(desk):
    assert len(desk.cookie.partition("=")[2]) >= 32


def test_no_page_can_be_framed_and_none_runs_inline_code(desk):
    """Clickjacking Defense, Content Security Policy, HTTP Headers."""
    for path in ("/", "/bench", "/record", "/answer", "/change", "/day", "/none"):
        _, headers, body = desk.ask("GET", path)
        policy = headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-frame-options"] == "DENY"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert b" style=" not in body
        assert b"onclick" not in body
        assert b"http://" not in body.replace(b"http://www.w3.org", b"")


@pytest.mark.parametrize(
    "name",
    [
        "../../escaped.csv", "..\\..\\escaped.csv", "/etc/escaped.csv", "C:\\escaped.csv",
        "....//escaped.csv", "%2e%2e%2fescaped.csv", ".hidden", "a\x00.csv", "desk.json",
        "results", "register.sqlite", "con.csv", "x" * 400 + ".csv",
    ],
)  # fmt: skip
def test_an_upload_stays_in_the_folder(desk, name):
    """Path Traversal and File Upload: whatever it is called, the file lies in the folder."""
    before = set(desk.folder.parent.iterdir())
    content = SMALL + name.encode()
    status, _, body = desk.upload([(name, content)])
    assert status in {303, 400}, body
    assert set(desk.folder.parent.iterdir()) == before
    assert (desk.folder / "results").is_dir()
    assert (desk.folder / "desk.json").read_bytes() != content
    for found in desk.folder.glob("*.csv"):
        assert found.name == safe_name(found.name)
        found.unlink()


@pytest.mark.parametrize(
    "path",
    [
        "/files/drill.csv.gz/../../desk.json", "/files/drill.csv.gz/..%2f..%2fdesk.json",
        "/files/../desk.json", "/files/..%2f../x", "/assets/..%2fapp.py", "/assets/../app.py",
        "/answer/..%2f..%2fetc%2fpasswd", "/files/x/one-page.pdf", "//evil.example/",
    ],
)  # fmt: skip
def test_no_address_leads_out_of_the_folder(desk, path):
    """Path Traversal: names are looked up among what is known, never joined to a path."""
    status, headers, body = desk.ask("GET", path)
    assert status in {404, 409}, body
    assert "location" not in headers
    assert b"Starlette" not in body
    assert b"root:" not in body


def test_a_link_that_leads_out_is_not_followed(desk, tmp_path):
    """Path Traversal: what a link in the folder points to is neither read nor written."""
    secret = tmp_path / "secret.csv"
    secret.write_bytes(SMALL)
    for name in ("linked.csv", "linked.toml"):
        (desk.folder / name).symlink_to(secret)
    (desk.folder / "results" / "real.csv").symlink_to(tmp_path)
    (desk.folder / "real.csv").write_bytes(SMALL)
    os.utime(desk.folder / "real.csv", (0, 0))
    try:
        assert "linked" not in desk.get("/answer")
        assert desk.post("/robot", sheet="linked.toml")[0] == 409
        desk.ask("GET", "/answer/real.csv")
        assert list(tmp_path.iterdir()) == [secret]
        assert secret.read_bytes() == SMALL
    finally:
        for name in ("linked.csv", "linked.toml", "real.csv", "results/real.csv"):
            (desk.folder / name).unlink()


def spoken(desk, request):
    """Say something to the desk byte by byte; give the first line of what it answers."""
    with socket.create_connection(("127.0.0.1", desk.port), timeout=10) as line:
        line.sendall(request)
        line.shutdown(socket.SHUT_WR)
        return line.recv(4096).partition(b"\r\n")[0]


@pytest.mark.parametrize("length", ["99999", "-1", "1e3", "5, 6", "99999999999999999999"])
def test_a_false_length_takes_nothing(desk, length):
    """Denial of Service: a length that is not true or not a number leaves no file behind."""
    head = (
        f"POST /upload HTTP/1.1\r\nHost: {desk.host}\r\nOrigin: {desk.base}\r\n"
        f"Cookie: {desk.cookie}\r\nContent-Type: multipart/form-data; boundary=x\r\n"
        f"Content-Length: {length}\r\n\r\n"
    )
    body = '--x\r\nContent-Disposition: form-data; name="files"; filename="f.csv"\r\n\r\nabc'
    before = desk.names()
    answer = spoken(desk, (head + body).encode())
    assert b" 200 " not in answer
    assert b" 303 " not in answer
    wait_for(lambda: desk.names() == before, "the folder as it was")


def test_a_form_without_a_length_or_with_too_much_is_not_read(desk):
    """Denial of Service: what is no upload is short, and says how long it is."""
    assert desk.ask("POST", "/robot", b"x" * (2 << 20))[0] == 413
    head = f"POST /robot HTTP/1.1\r\nHost: {desk.host}\r\nOrigin: {desk.base}\r\n"
    chunked = f"Cookie: {desk.cookie}\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    assert b" 411 " in spoken(desk, (head + chunked).encode())


def test_names_with_markup_stay_words(desk):
    """Cross Site Scripting Prevention: a file's name and a robot's name are text everywhere."""
    sheet = 'robot = "<img src=x onerror=alert(1)>"\n[channels."<b>"]\nrole = "servo"\n'
    assert desk.upload([("evil.toml", sheet.encode())])[0] == 303
    (desk.folder / "<script>alert(1)<!-- \U0001f916.csv").write_bytes(b"nothing to read\n")
    desk.post("/ready", place="bench")
    for path in ("/answer", "/bench", "/day", "/record"):
        body = desk.get(path)
        assert "<img src=x" not in body
        assert "<script>alert" not in body
    for path in desk.folder.glob("*"):
        if path.name not in {"desk.json", "results"}:
            path.unlink()


def test_a_port_that_is_taken_is_told_in_one_sentence(desk, tmp_path):
    command = [sys.executable, "-m", "pwmscope", "desk", str(tmp_path / "other"), "--no-browser"]
    done = subprocess.run(
        [*command, "--port", str(desk.port)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert f"Port {desk.port} is taken by another program" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_folder_that_cannot_be_written_to_is_told_in_one_sentence():
    """The kernel's own folder takes no file, from nobody."""
    if not Path("/proc/self").is_dir():
        pytest.skip("this system has no /proc")
    command = [sys.executable, "-m", "pwmscope", "desk", "/proc", "--no-browser", "--port", "0"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "the folder cannot be written to; name one that can" in done.stderr


@pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="this system has no such limit")
def test_a_disk_that_takes_no_more_is_told_and_the_desk_goes_on(tmp_path):
    """The kernel refuses every byte beyond a file's limit, as it does on a full disk."""
    full = Desk(tmp_path / "event")
    resource.prlimit(full.process.pid, resource.RLIMIT_FSIZE, (1 << 20, 1 << 20))
    try:
        big = [("big.csv", SMALL + bytes(2 << 20))]
        status, _, body = full.upload(big, Accept="application/json")
        assert (status, json.loads(body)["said"].count(".")) == (507, 1)
        assert "nothing of that file was kept" in json.loads(body)["said"]
        assert full.names() == []
        assert full.upload([("small.csv", SMALL)])[0] == 303
    finally:
        full.end()


def test_only_this_computer_is_listened_to(desk):
    """Attack Surface: the desk is bound to the loopback address alone."""
    with socket.socket() as other:
        other.settimeout(2)
        own = socket.gethostbyname(socket.gethostname())
        if own.startswith("127."):
            own = "127.0.0.2"  # loopback as well, but not the desk's own address
        with pytest.raises(ConnectionRefusedError):
            other.connect((own, desk.port))
