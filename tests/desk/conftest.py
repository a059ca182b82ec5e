"""A desk of its own, begun by its command, and what speaks with it over HTTP."""

import http.client
import json
import re
import subprocess
import sys
import time
import urllib.parse
import uuid
from pathlib import Path

import pytest

CAPTURES = Path(__file__).parents[2] / "captures"
PATIENCE_S = 60


class Desk:
    """A desk that runs, its folder, and a client with its cookie."""

    def __init__(self, folder):
        self.folder = folder
        self.begin()

    def begin(self):
        command = [sys.executable, "-m", "pwmscope", "desk", str(self.folder)]
        self.process = subprocess.Popen(
            [*command, "--port", "0", "--no-browser"], stdout=subprocess.PIPE, text=True
        )
        self.address = re.search(r"http\S+", self.process.stdout.readline())[0]
        parts = urllib.parse.urlsplit(self.address)
        self.port, self.host = parts.port, parts.netloc
        self.base = f"http://{self.host}"
        _, headers, _ = self.ask("GET", f"/?{parts.query}", cookie="")
        self.cookie = headers["set-cookie"].partition(";")[0]

    def kill(self):
        self.process.kill()
        self.process.communicate()

    def end(self):
        self.process.terminate()
        self.process.communicate(timeout=20)

    def ask(self, method, path, body=None, *, cookie=None, **headers):
        """Ask as the browser would; headers given as None are left out."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        asked = {"Host": self.host, "Cookie": self.cookie if cookie is None else cookie}
        if method == "POST":
            asked |= {"Origin": self.base, "Content-Type": "application/x-www-form-urlencoded"}
        asked |= {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            if body is not None and "Content-Length" not in asked:
                asked["Content-Length"] = str(len(body))
            for name, value in asked.items():
                if value is not None:
                    connection.putheader(name, value)
            connection.endheaders(body)
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def get(self, path):
        status, _, body = self.ask("GET", path)
        assert status == 200, (path, status, body[:300])
        return body.decode()

    def post(self, path, **fields):
        return self.ask("POST", path, urllib.parse.urlencode(fields).encode())

    def upload(self, files, **headers):
        kind, body = form_of(files)
        return self.ask("POST", "/upload", body, Content_Type=kind, **headers)

    def names(self):
        hidden = {"desk.json", "results"}
        return sorted(path.name for path in self.folder.iterdir() if path.name not in hidden)

    def state(self, key):
        path = self.folder / "results" / key / "state.json"
        return json.loads(path.read_text("utf-8")) if path.exists() else None

    def wait_for_answer(self, key):
        """Wait until all of a recording's results are kept; give what is known of it."""

        def found():
            known = self.state(key)
            return known if known and "one-page.pdf" in self.get(f"/part/answer/{key}") else None

        return wait_for(found, f"an answer to {key}")


def wait_for(found, what):
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        value = found()
        if value:
            return value
        time.sleep(0.1)
    raise AssertionError(f"{what} did not come")


def form_of(files):
    """Write files as a form's body (RFC 7578)."""
    boundary = uuid.uuid4().hex
    parts = [
        f'--{boundary}\r\nContent-Disposition: form-data; name="files"; filename="{name}"\r\n'
        "Content-Type: application/octet-stream\r\n\r\n".encode()
        + content
        + b"\r\n"
        for name, content in files
    ]
    return f"multipart/form-data; boundary={boundary}", b"".join(parts) + f"--{boundary}--".encode()


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    made = Desk(tmp_path_factory.mktemp("desk") / "event")
    yield made
    made.end()
