"""The recordings of a desk and their work: watched, waiting in line, two analysed at once."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import sys
import time
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from watchfiles import awatch

from pwmscope.desk.folder import REGISTER, TEST, DeskError, Folder, Stamp, key_of

AT_ONCE: Final = 2
WARM_AFTER_S: Final = 1.0
"""The first process begins only then, so that it does not hold up the first page."""
SETTLED_S: Final = 1.0
"""A file that did not change for so long is taken as whole."""
FOLLOWED_SETTLED_S: Final = 5.0
"""The same for a file that is followed: what records may write in blocks."""
MAX_HAPPENED: Final = 12
_LOOK_MS: Final = 300
_BIG_BYTES: Final = 256 << 20
"""After a file of so many bytes the process gives its memory back by ending."""
_MAX_LINE: Final = 1 << 24


HINTS: Final = {
    "rate": "Sample rate",
    "time_unit": "Time unit",
    "time_column": "Time column",
    "lines": "Lines",
    "threshold": "Threshold",
    "max_gib": "Most gigabytes",
}
"""The fields in which a person says how a file is to be read, by the argument of `load`."""
LABELS: Final = {
    **{name: f"“{label}”" for name, label in HINTS.items()},
    "sheet": "the bench sheet",
    "plan": "plan",
    "marker": "the marker line of the bench sheet",
    "off_line": "the marker line of the bench sheet",
    "off_at": "the moment of the loss",
    "off_at_s": "the moment of the loss",
    "convention": "another convention",
    "span": "a part of the recording",
}
"""How the desk calls the arguments that the library's sentences name."""


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be done with one recording."""

    file: str
    results: str  # The folder of its results
    sheet: str  # Empty without one
    hints: Mapping[str, str]
    size: int
    mtime_ns: int
    sheet_sha256: str
    register: str = ""  # Enter it in this register; otherwise answer
    report: bool = False  # Write the whole report; otherwise answer
    earlier: str = ""  # The name of an earlier recording of the same robot
    earlier_edges: str = ""  # The edges of it
    plan: str = ""  # By which it was made; empty without one
    # Of a test: its recordings' files, and by which hints each is read
    parts: Sequence[tuple[str, Mapping[str, str]]] = ()
    part_stamps: Mapping[str, Sequence[int]] = field(default_factory=dict)


class State(StrEnum):
    """Where the work on a recording stands."""

    GROWING = "still growing"
    WAITING = "waiting"
    READING = "reading"
    ANSWERED = "answered"
    REFUSED = "refused"
    CANCELLED = "cancelled"


@dataclass(slots=True)
class Recording:
    """One recording in the folder, and where its work stands."""

    name: str
    stamp: Stamp
    since_s: float  # When it last changed
    sheet: str  # The bench sheet that it is held against; empty without one
    hints: dict[str, str] = field(default_factory=dict)
    plan: str | None = None  # The plan that it is read by; None until that is chosen
    parts: list[str] = field(default_factory=list)  # Of a test: its recordings
    state: State = State.GROWING
    is_kept: bool = False  # Whether all of its results are on the disk
    begun_s: float = 0.0
    progress: tuple[int, int | None, str] = (0, None, "")
    refused: str = ""
    choices: dict[str, list[str]] = field(default_factory=dict)
    found: dict[str, Any] = field(default_factory=dict)
    doing: str = ""  # What else is being done: "report", "register"
    note: str = ""  # What came of it, in a sentence
    entry: int = 0  # Its number in the register
    runs: int = 0  # How often it was analysed since the desk began
    is_followed: bool = False  # Whether it is followed while it grows
    lines_now: str = ""  # How its lines are, in words
    happened: list[str] = field(default_factory=list)  # What happened live, in words

    @property
    def key(self) -> str:
        """Its name in addresses."""
        return key_of(self.name)

    @property
    def elapsed_s(self) -> int:
        """How long it has been read, in whole seconds."""
        return int(time.monotonic() - self.begun_s)

    @property
    def percent(self) -> int | None:
        """How far reading has come; None where that is not known."""
        done, total, _ = self.progress
        return min(100, 100 * done // total) if total else None


class Jobs:
    """All recordings of a folder, and the processes that analyse them."""

    def __init__(self, folder: Folder) -> None:
        self.folder = folder
        self.recordings: dict[str, Recording] = {}
        self.version = 0
        self._changed = asyncio.Condition()
        self._queue: asyncio.Queue[tuple[str, str]] = asyncio.Queue()
        self._workers = [_Worker() for _ in range(AT_ONCE)]
        self._free = [*self._workers]  # The one used last is taken first: it has begun
        self._tasks: list[asyncio.Task[None]] = []
        self._running: dict[str, _Worker] = {}
        self._followers: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Jobs:
        await self.scan()
        self._tasks = [asyncio.create_task(self._watch())]
        self._tasks += [asyncio.create_task(self._work()) for _ in self._workers]
        asyncio.get_running_loop().call_later(WARM_AFTER_S, self._workers[-1].begin_soon)
        return self

    async def __aexit__(self, *_: object) -> None:
        tasks = [*self._tasks, *self._followers]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for worker in self._workers:
            await worker.end()

    def by_key(self, key: str) -> Recording:
        """Find a recording by its name in addresses."""
        for recording in self.recordings.values():
            if recording.key == key:
                return recording
        raise DeskError("There is no such recording in the folder.")

    def ordered(self) -> list[Recording]:
        """List the recordings, the newest first."""
        found = self.recordings.values()
        return sorted(found, key=lambda each: (-each.stamp.mtime_ns, each.name))

    async def changes(self) -> AsyncIterator[int]:
        """Yield the version whenever something changed, and twice a second while work is done."""
        seen = -1
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.35 if self._running else 1.0), self._changed:
                    while self.version == seen:
                        await self._changed.wait()
            is_news = self.version != seen or bool(self._running)
            seen = self.version
            yield seen if is_news else -1
            await asyncio.sleep(0.15)

    async def tell(self) -> None:
        """Let every page that is open know."""
        async with self._changed:
            self.version += 1
            self._changed.notify_all()

    async def read_again(
        self,
        recording: Recording,
        *,
        hints: Mapping[str, str] | None = None,
        sheet: str | None = None,
        plan: str | None = None,
    ) -> None:
        """Analyse a recording anew, with other hints, another sheet, or without its plan."""
        recording.plan = recording.plan if plan is None else plan
        if hints is not None:
            recording.hints = {name: said for name, said in hints.items() if said}
            await asyncio.to_thread(self.folder.remember_hints, recording.name, recording.hints)
        if sheet is not None:
            recording.sheet = sheet
        await self._stop(recording)
        await self._enqueue(recording)

    def is_outdated(self, recording: Recording) -> bool:
        """Say whether a recording of a test has changed since the test was judged."""
        known = {n: self.recordings[n] for n in recording.parts if n in self.recordings}
        return bool(recording.parts) and recording.found.get("parts") != _stamps(known)

    async def cancel(self, recording: Recording) -> None:
        """End the work on a recording, or leave a refused one as it is."""
        if recording.state not in {State.ANSWERED, State.CANCELLED}:
            recording.state = State.CANCELLED
            await self._stop(recording)
            await self.tell()

    async def also(self, recording: Recording, what: str) -> None:
        """Write the report of an answered recording, or enter it in the register."""
        if recording.state is not State.ANSWERED or recording.doing:
            return
        recording.doing, recording.note = what, ""
        self._queue.put_nowait((recording.name, what))
        await self.tell()

    async def follow(self, recording: Recording) -> None:
        """Tell what happens in a recording while it grows."""
        if recording.state is State.GROWING and not recording.is_followed:
            recording.is_followed = True
            self._followers.append(asyncio.create_task(self._follow(recording)))
            await self.tell()

    async def _follow(self, recording: Recording) -> None:
        command = [sys.executable, "-m", "pwmscope", "follow", "--json", "--idle", "30"]
        for name in ("rate", "lines"):
            command += [f"--{name}={said}"] if (said := recording.hints.get(name)) else []
        if recording.sheet in self.folder.sheets():
            command += ["--sheet", str(self.folder.path / recording.sheet)]
        pipe = asyncio.subprocess.PIPE
        process = await asyncio.create_subprocess_exec(
            *command, "--", str(self.folder.path / recording.name),
            stdout=pipe, stderr=asyncio.subprocess.STDOUT, limit=_MAX_LINE,
        )  # fmt: skip
        try:
            while recording.state is State.GROWING and process.stdout is not None:
                with contextlib.suppress(TimeoutError):
                    line = await asyncio.wait_for(process.stdout.readline(), 0.5)
                    if not line:
                        break
                    _note_live(recording, line)
                    await self.tell()
        finally:
            recording.is_followed = False
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    async def _stop(self, recording: Recording) -> None:
        worker = self._running.get(recording.name)
        if worker is not None:
            await worker.kill()

    async def _watch(self) -> None:
        async for _ in awatch(
            self.folder.path, recursive=False, step=50, debounce=_LOOK_MS, rust_timeout=_LOOK_MS,
            yield_on_timeout=True, ignore_permission_denied=True,
        ):  # fmt: skip
            with contextlib.suppress(OSError):  # looked at again in a moment
                await self.scan()

    async def scan(self) -> None:
        """Look at the folder: what is new, what grew, what is whole now, what is gone."""
        found = dict(await asyncio.to_thread(lambda: list(self.folder.recordings())))
        now_s, version = time.monotonic(), self.version
        for name in [name for name in self.recordings if name not in found]:
            await self._stop(self.recordings.pop(name))
            await self.tell()
        for name, stamp in found.items():
            recording = self.recordings.get(name)
            if recording is None:
                recording = await asyncio.to_thread(self._first_seen, name, stamp, now_s)
                self.recordings[name] = recording
                if recording.state is State.WAITING:
                    await self._enqueue(recording)
                await self.tell()
            elif stamp != recording.stamp:
                recording.stamp, recording.since_s = stamp, now_s
                recording.parts = await asyncio.to_thread(self.folder.parts, name)
                recording.state = State.GROWING
                await self._stop(recording)
                await self.tell()
            if recording.state is State.GROWING and stamp.size:
                is_old = time.time() - stamp.mtime_ns / 1e9 > 3 * FOLLOWED_SETTLED_S
                settled_s = FOLLOWED_SETTLED_S if recording.is_followed else SETTLED_S
                if is_old or now_s - recording.since_s >= settled_s:
                    await self._enqueue(recording)
        if version != self.version:
            await self.tell()

    def _first_seen(self, name: str, stamp: Stamp, now_s: float) -> Recording:
        """Take what is known of a recording from before, if it is still the same file."""
        known = self.folder.state(name)
        if (known.get("size"), known.get("mtime_ns")) != (stamp.size, stamp.mtime_ns):
            hints = self.folder.hints_for(name)
            parts = self.folder.parts(name)
            return Recording(name, stamp, now_s, self.folder.sheet, hints, parts=parts)
        sheet = str(known.get("sheet", ""))
        hints = known.get("hints") or {}
        entry = int(known.get("entry") or 0)
        return Recording(
            name, stamp, now_s, sheet, hints, str(known.get("plan", "")), self.folder.parts(name),
            State.ANSWERED, is_kept=True, found=known, entry=entry,
        )  # fmt: skip

    async def take(self, name: str) -> None:
        """Take a file that was uploaded: it is whole."""
        await self.scan()
        recording = self.recordings.get(name)
        if recording is not None and recording.state is State.GROWING:
            await self._enqueue(recording)

    async def _enqueue(self, recording: Recording) -> None:
        recording.state, recording.is_kept = State.WAITING, False
        recording.refused, recording.choices, recording.note = "", {}, ""
        self._queue.put_nowait((recording.name, "answer"))
        await self.tell()

    async def _work(self) -> None:
        """Take recordings from the line, one after the other."""
        while True:
            name, what = await self._queue.get()
            recording = self.recordings.get(name)
            if recording is None or name in self._running:
                if recording is not None:  # the other process still ends with it
                    self._queue.put_nowait((name, what))
                    await asyncio.sleep(0.05)
                continue
            if what == "answer" and recording.state is not State.WAITING:
                continue
            worker = self._running[name] = self._free.pop()
            try:
                await self._carry_out(worker, recording, what)
                if recording.stamp.size > _BIG_BYTES:
                    await worker.end()
                    worker.begin_soon()
            finally:
                self._running.pop(name, None)
                self._free.append(worker)
            await self.tell()

    async def _carry_out(self, worker: _Worker, recording: Recording, what: str) -> None:
        if what == "answer":
            recording.state, recording.begun_s = State.READING, time.monotonic()
            recording.progress, recording.runs = (0, None, ""), recording.runs + 1
            await self.tell()
        stamp = recording.stamp
        job = await asyncio.to_thread(self._job, recording, what)
        async for said in worker.told(job):
            if recording.stamp != stamp or recording.state is State.CANCELLED:
                continue
            await self._note(recording, what, said)
        if recording.stamp != stamp:
            return
        if what == "answer" and recording.state is State.READING:
            recording.state = State.REFUSED
            recording.refused = "The analysis ended before it was done; read the file again."
        elif recording.state is State.ANSWERED and (recording.doing or not recording.is_kept):
            recording.doing = ""
            recording.note = "Not all of its files were written; hold it against its sheet again."

    async def _note(self, recording: Recording, what: str, said: dict[str, Any]) -> None:
        """Take note of what a process tells."""
        if "done" in said:
            recording.progress = (said["done"], said["total"], said["unit"])
        elif "state" in said:
            recording.found, recording.state = said["state"], State.ANSWERED
            recording.entry = 0
        elif "entry" in said:
            recording.entry = said["entry"]
            recording.note = f"It is entry {said['entry']} of {REGISTER}."
            await asyncio.to_thread(self._keep, recording)
        elif "refused" in said and what == "answer" and recording.state is State.READING:
            recording.state, recording.refused = State.REFUSED, said["refused"]
            recording.choices = said.get("choices", {})
        elif "refused" in said:
            recording.note, recording.doing = said["refused"], ""
        elif said.get("ended"):
            recording.is_kept, recording.doing = True, ""
        else:
            return
        await self.tell()

    def _keep(self, recording: Recording) -> None:
        path = self.folder.results(recording.name) / "state.json"
        known = {**self.folder.state(recording.name), "entry": recording.entry}
        path.write_text(json.dumps(known, indent=2) + "\n", encoding="utf-8")

    def _job(self, recording: Recording, what: str) -> Job:
        folder = self.folder
        sheet = recording.sheet = recording.sheet or folder.sheet
        sheet_path = folder.path / sheet if sheet in folder.sheets() else None
        if recording.plan is None:
            is_test = recording.name.endswith(TEST)
            recording.plan = "" if is_test else folder.plan_for(sheet, recording.stamp)
        plan_path = folder.plan_path(recording.plan)
        parts = {name: self.recordings[name] for name in recording.parts if name in self.recordings}
        earlier = self._earlier(recording) if what == "answer" and sheet_path else None
        edges = "" if earlier is None else str(folder.results(earlier.name) / "edges.parquet")
        return Job(
            file=str(folder.path / recording.name),
            results=str(folder.results(recording.name)),
            sheet="" if sheet_path is None else str(sheet_path),
            hints=recording.hints,
            size=recording.stamp.size,
            mtime_ns=recording.stamp.mtime_ns,
            sheet_sha256="" if sheet_path is None else sheet_hash(sheet_path),
            register=str(folder.path / REGISTER) if what == "register" else "",
            report=what == "report",
            earlier="" if earlier is None else earlier.name,
            earlier_edges=edges,
            plan="" if plan_path is None else str(plan_path),
            parts=[
                (str(folder.path / name), parts[name].hints if name in parts else {})
                for name in recording.parts
            ],
            part_stamps=_stamps(parts),
        )

    def _earlier(self, recording: Recording) -> Recording | None:
        """Find the newest answered recording of the same robot that is older."""
        if recording.parts:
            return None
        found = [
            other
            for other in self.recordings.values()
            if other.sheet == recording.sheet
            and other.is_kept
            and other.found.get("lines")  # servo pulses, so that there is what to compare
            and other.name != recording.name
            and other.stamp.mtime_ns <= recording.stamp.mtime_ns
        ]
        return max(found, key=lambda other: other.stamp.mtime_ns, default=None)


def _stamps(parts: Mapping[str, Recording]) -> dict[str, list[int]]:
    return {name: [part.stamp.size, part.stamp.mtime_ns] for name, part in parts.items()}


def _note_live(recording: Recording, line: bytes) -> None:
    """Take note of what `pwmscope follow` tells; a sentence that is no JSON is why it ended."""
    try:
        said = json.loads(line)
    except ValueError:
        said = {"said": line.decode("utf-8", "replace").strip()}
    time_s = said.get("time_s")
    words = str(said["said"]) if time_s is None else f"{time_s:.2f} s: {said['said']}"
    if "lines" in said:
        recording.lines_now = words
    else:
        recording.happened = [*recording.happened, words][-MAX_HAPPENED:]


def sheet_hash(path: Path) -> str:
    """Give the hash by which a bench sheet is known to be the same as before."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


class _Worker:
    """One process that analyses; it begins when it is needed, and may be ended at any time."""

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process | None = None
        self._beginning: asyncio.Task[asyncio.subprocess.Process] | None = None

    def begin_soon(self) -> None:
        """Begin the process, so that it is ready when a recording comes."""
        if self._process is None and self._beginning is None:
            self._beginning = asyncio.create_task(self._begin())

    async def _begin(self) -> asyncio.subprocess.Process:
        pipe = asyncio.subprocess.PIPE
        return await asyncio.create_subprocess_exec(
            sys.executable, "-m", "pwmscope.desk.work", stdin=pipe, stdout=pipe, limit=_MAX_LINE
        )

    async def told(self, job: Job) -> AsyncIterator[dict[str, Any]]:
        """Give the process a job and yield what it tells, until it is done or gone."""
        self.begin_soon()
        if self._beginning is not None:
            self._process, self._beginning = await self._beginning, None
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            return
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            process.stdin.write((json.dumps(asdict(job)) + "\n").encode())
            await process.stdin.drain()
        while line := await process.stdout.readline():
            said = json.loads(line)
            yield said
            if said.get("ended"):
                return
        await process.wait()
        self._process = None

    async def kill(self) -> None:
        """End the process at once; whoever listens to it hears its end."""
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()
            await self._process.wait()

    async def end(self) -> None:
        """End the process for good."""
        if self._beginning is not None:
            self._process, self._beginning = await self._beginning, None
        await self.kill()
        self._process = None
