"""The pages of the desk: five places, what is dropped on them, and what they show meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import importlib
import json
import re
import shutil
import time
import tomllib
from collections.abc import AsyncIterator, Callable, Mapping
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from pwmscope.desk.folder import (
    PLAN,
    REGISTER,
    SHEET,
    DeskError,
    Folder,
    Stamp,
    UploadError,
    receive,
    safe_name,
)
from pwmscope.desk.jobs import HINTS, Jobs, Recording, State, sheet_hash
from pwmscope.errors import PwmscopeError
from pwmscope.output import write_text

if TYPE_CHECKING:
    from pwmscope.bench import CapturePlan, Mode
    from pwmscope.desk.form import Form

PAGES: Final = Path(__file__).parent / "pages"
LOOK: Final = Path(__file__).parents[1] / "report" / "templates"
"""The report's looks, read without importing it: that takes longer than a first page may."""
_LOOKS: Final = tuple(LOOK / name for name in ("look.css", "page.css", "timeline/timeline.css"))
WARM_AFTER_S: Final = 1.0
PLACES: Final = ("bench", "record", "answer", "change", "day")
RATES: Final = ("500kHz", "1MHz", "2MHz", "4MHz", "8MHz", "16MHz", "24MHz")
"""Rates that are offered where one is needed (common practice)."""
SHIPPED: Final = {"bench.toml": "quince.toml", "drill.csv.gz": "drill.csv.gz"}
"""The recording to try, its sheet first, and their names in the folder."""
_ALONE: Final = {"content-security-policy": "sandbox allow-scripts; frame-ancestors 'none'"}
"""For documents that bring a policy of their own: they may reach nothing of the desk."""
_FILES: Final = re.compile(
    r"one-page\.pdf|compared\.html|analysis\.json|change\.json|[a-z-]{1,40}\.svg"
    r"|report/report\.(?:html|pdf|md)"
)
_ASSETS: Final = {
    "desk.css": "text/css", "desk.js": "text/javascript", "mark.svg": "image/svg+xml"
}  # fmt: skip


def make_app(folder: Folder) -> Starlette:
    """Make the desk of a folder."""
    desk = Desk(folder)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        async with Jobs(folder) as desk.jobs:
            warming = asyncio.create_task(_warm())
            yield
            warming.cancel()

    routes = [
        Route("/", desk.begin),
        Route("/assets/{name}", asset),
        Route("/events", desk.events),
        Route("/part/work", desk.work_part),
        Route("/part/answer/{key}", desk.answer_part),
        Route("/part/answers", desk.answers_part),
        Route("/part/day", desk.day_part),
        Route("/upload", desk.upload, methods=["POST"]),
        Route("/try", desk.try_out, methods=["POST"]),
        Route("/ready", desk.ready, methods=["POST"]),
        Route("/robot", desk.choose_robot, methods=["POST"]),
        Route("/bench", desk.bench),
        Route("/bench", desk.save_bench, methods=["POST"]),
        Route("/bench/add", desk.add_row, methods=["POST"]),
        Route("/bench/check", desk.check_bench, methods=["POST"]),
        Route("/bench/text", desk.save_text, methods=["POST"]),
        Route("/record", desk.record),
        Route("/record/plan", desk.keep_plan, methods=["POST"]),
        Route("/answer/together", desk.together, methods=["POST"]),
        Route("/answer", desk.answers),
        Route("/answer/{key}", desk.answer),
        Route("/answer/{key}/{what}", desk.act, methods=["POST"]),
        Route("/files/{key}/{name:path}", desk.file),
        Route("/change", desk.change),
        Route("/day", desk.day),
        Route("/day/enter", desk.enter_all, methods=["POST"]),
        Route("/day/sheet{form}", desk.day_sheet),
    ]
    handlers: dict[Any, Callable[[Request, Exception], Response]] = {
        PwmscopeError: desk.refused,
        ClientDisconnect: lambda _, __: Response(status_code=400),
        404: lambda _, __: PlainTextResponse("There is no such page.\n", 404),
    }
    return Starlette(routes=routes, lifespan=lifespan, exception_handlers=handlers)


async def _warm() -> None:
    """Import what other pages need while the first one is read."""
    await asyncio.sleep(WARM_AFTER_S)
    for name in ("pwmscope.bench", "pwmscope.report", "pwmscope.plot.wiring_drawing"):
        await asyncio.to_thread(importlib.import_module, name)


def asset(request: Request) -> Response:
    """Serve a style sheet, a script or the mark; they come with the package."""
    name = request.path_params["name"]
    if name == "timeline.js":
        from pwmscope.report import answer_script

        return Response(answer_script(), media_type=_ASSETS["desk.js"])
    parts = _LOOKS if name == "answer.css" else (PAGES / name,)
    if name != "answer.css" and name not in _ASSETS:
        return PlainTextResponse("There is no such file.\n", 404)
    text = "\n".join(part.read_text(encoding="utf-8") for part in parts)
    return Response(text, media_type=_ASSETS.get(name, "text/css"))


class Desk:
    """The pages of one folder's desk."""

    jobs: Jobs

    def __init__(self, folder: Folder) -> None:
        self.folder = folder
        self._pages = jinja2.Environment(
            loader=jinja2.FileSystemLoader([PAGES, LOOK]), autoescape=True,
            undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        )  # fmt: skip

    def _page(self, template: str, /, *, status: int = 200, **values: object) -> Response:
        return HTMLResponse(self._part(template, **values), status)

    def _part(self, template: str, /, **values: object) -> str:
        recordings = self.jobs.ordered()
        shared: dict[str, object] = {
            "places": PLACES,
            "place": "",
            "folder": str(self.folder.path),
            "recordings": recordings,
            "working": [each for each in recordings if _is_at_work(each)],
            "robots": {name: self._robot(name) for name in self.folder.sheets()},
            "sheet": self.folder.sheet,
            "state": State,
            "labels": HINTS,
            "rates": RATES,
            "cautions": _cautions,
            "is_ready": bool(self.folder.remembered().get("ready")),
        }
        return self._pages.get_template(template).render(**{**shared, **values})

    def _robot(self, sheet: str) -> str:
        with contextlib.suppress(OSError, ValueError):
            table = tomllib.loads((self.folder.path / sheet).read_text(encoding="utf-8"))
            robot = table.get("robot")
            if isinstance(robot, str) and robot.isprintable() and robot:
                return robot[:80]
        return sheet.removesuffix(SHEET)

    def refused(self, request: Request, error: Exception) -> Response:
        """Say in one sentence why something cannot be done."""
        status = error.status if isinstance(error, UploadError) else HTTPStatus.CONFLICT
        if _wants_json(request):
            return JSONResponse({"said": str(error)}, status)
        return self._page("refused.html.j2", status=status, title="Refused", said=str(error))

    def begin(self, _: Request) -> Response:
        """Show where to begin."""
        return self._page("begin.html.j2", title="Begin")

    async def events(self, _: Request) -> Response:
        """Tell a page whenever something changed."""

        async def told() -> AsyncIterator[str]:
            yield "retry: 1000\n\n"
            async for version in self.jobs.changes():
                yield f"data: {version}\n\n" if version >= 0 else ": quiet\n\n"

        return StreamingResponse(told(), media_type="text/event-stream")

    def work_part(self, _: Request) -> Response:
        """List what is at work."""
        return self._page("work.html.j2")

    def answers_part(self, _: Request) -> Response:
        """List all answers."""
        return self._page("answers_part.html.j2")

    async def upload(self, request: Request) -> Response:
        """Take files."""
        taken = await receive(request, self.folder)
        recordings, said = [], []
        for name, is_new in taken:
            if name.endswith(PLAN):
                said.append(f"{name} is a plan of this desk now.")
                continue
            if name.endswith(SHEET):
                self.folder.remember(sheet=name)
                said.append(f"{name} is a bench sheet of this desk now.")
                continue
            await self.jobs.take(name)
            recordings.append(name)
            said.append(f"{name} is here{'' if is_new else ' already'}.")
        if not taken:
            raise UploadError("No file was chosen.", 400)
        go = "/answer" if len(recordings) > 1 else "/bench"
        if len(recordings) == 1:
            go = f"/answer/{self.jobs.recordings[recordings[0]].key}"
        if _wants_json(request):
            return JSONResponse({"said": " ".join(said), "go": go})
        return _go(go)

    async def try_out(self, _: Request) -> Response:
        """Copy the shipped recording and its bench sheet into the folder."""
        for source, name in SHIPPED.items():
            if not (self.folder.path / name).exists():
                await run_in_threadpool(_copy_shipped, source, self.folder.path / name)
            self.folder.remember(sheet=SHIPPED["bench.toml"])
        await self.jobs.take("drill.csv.gz")
        return _go("/answer/drill.csv.gz")

    async def ready(self, request: Request) -> Response:
        """Remember that a person has read the cautions."""
        self.folder.remember(ready=True)
        return _go(_place(await _sent(request)))

    async def choose_robot(self, request: Request) -> Response:
        """Take another robot's sheet for what comes next."""
        sent = await _sent(request)
        self.folder.sheet_path(sent.get("sheet", ""))
        self.folder.remember(sheet=sent["sheet"])
        await self.jobs.tell()
        return _go(_place(sent))

    def bench(self, request: Request) -> Response:
        """Show the bench sheet as a form."""
        from pwmscope.desk.form import example, form_of

        name = "" if "new" in request.query_params else self.folder.sheet
        if not name:
            return self._bench(form_of(example()), "", "")
        path = self.folder.sheet_path(name)
        text = path.read_text(encoding="utf-8", errors="replace")
        try:
            table = tomllib.loads(text)
        except ValueError:
            return self._bench(form_of({}), name, text, said=_why_no_sheet(text, name))
        form = form_of(table)
        return self._bench(form, name, text, said=_why_no_sheet(text, name) if form.faults else "")

    def _bench(
        self, form: Form, name: str, text: str, *, said: str = "", status: int = 200
    ) -> Response:
        from pwmscope.desk.form import wiring_of

        wiring, picture = wiring_of(form)
        return self._page(
            "bench.html.j2", status=status, title="Bench", place="bench", form=form, name=name,
            text=text or form.toml, said=said, wiring=wiring, picture=picture,
            gaps=[] if form.sheet is None else form.sheet.gaps,
        )  # fmt: skip

    async def check_bench(self, request: Request) -> Response:
        """Say what is wrong with a form while it is filled in, and draw its wiring."""
        sent = await _sent(request)
        return JSONResponse(await run_in_threadpool(self._checked, sent))

    def _checked(self, sent: Mapping[str, str]) -> dict[str, object]:
        from pwmscope.desk.form import read_form, wiring_of

        form = read_form(sent)
        wiring, picture = wiring_of(form)
        rules = self._part(
            "rules.html.j2", wiring=wiring, picture=picture,
            gaps=[] if form.sheet is None else form.sheet.gaps,
        )  # fmt: skip
        return {"faults": dict(form.faults), "toml": form.toml, "rules": rules}

    async def add_row(self, request: Request) -> Response:
        """Show the form with one more row."""
        from pwmscope.desk.form import ROWS, read_form

        sent = await _sent(request)
        kind = sent.get("add", "")
        extra = {kind: 1} if kind in ROWS else {}
        form = await run_in_threadpool(read_form, sent, extra)
        return await run_in_threadpool(self._bench, form, sent.get("sheet", ""), "")

    async def save_bench(self, request: Request) -> Response:
        """Write the sheet that a form states, if nothing is wrong with it."""
        from pwmscope.desk.form import read_form

        sent = await _sent(request)
        form = await run_in_threadpool(read_form, sent)
        if form.sheet is None:
            said = "Nothing was saved: mend the fields that are marked."
            return await run_in_threadpool(
                lambda: self._bench(form, sent.get("sheet", ""), "", said=said, status=422)
            )
        return await run_in_threadpool(self._save, sent.get("sheet", ""), form.toml, sent)

    async def save_text(self, request: Request) -> Response:
        """Write the sheet as a person wrote it."""
        from pwmscope.desk.form import form_of, read_text

        sent = await _sent(request)
        name, text = sent.get("sheet", ""), sent.get("text", "").replace("\r\n", "\n")
        try:
            table = await run_in_threadpool(read_text, text, name or "the sheet")
        except PwmscopeError as error:
            said = str(error)
            return await run_in_threadpool(
                lambda: self._bench(form_of({}), name, text, said=said, status=422)
            )
        return await run_in_threadpool(self._save, name, text, {"robot": table.get("robot", "")})

    def _save(self, name: str, text: str, sent: Mapping[str, str]) -> Response:
        if name:
            path = self.folder.sheet_path(name)
        else:
            stem = safe_name(sent.get("robot") or "bench").lower().replace(" ", "-")
            number, path = 1, self.folder.path / f"{stem}{SHEET}"
            while path.exists() or path.is_symlink():
                number += 1
                path = self.folder.path / f"{stem}-{number}{SHEET}"
        write_text(path, text, replace=True)
        self.folder.remember(sheet=path.name)
        return _go("/bench")

    def record(self, request: Request) -> Response:
        """Show the plan, what to set on the analyser, and the countdown."""
        from pwmscope.report import format_clock, plan_needs

        plan, robot, mode, losses = self._plan(request.query_params)
        steps = [
            (format_clock(at), step) for at, step in zip(plan.starts_s, plan.steps, strict=True)
        ]
        kept = self.folder.plan_for(self.folder.sheet, Stamp(0, time.time_ns()))
        return self._page(
            "record.html.j2", title="Record", place="record", plan=plan, steps=steps, mode=mode,
            losses=losses, needs=plan_needs(plan), robot=robot, kept=kept,
        )  # fmt: skip

    def _plan(self, asked: Mapping[str, str]) -> tuple[CapturePlan, str, int, int]:
        """Make the plan that is asked for; give the robot, the mode and the number of losses."""
        from pwmscope.bench import load_sheet, make_plan, parse_sheet

        mode: Mode = 1 if asked.get("mode") == "1" else 2
        given = asked.get("losses", "")
        losses = min(20, int(given)) if given.isascii() and given.isdigit() else 10
        name = self.folder.sheet
        sheet = load_sheet(self.folder.sheet_path(name)) if name else parse_sheet("")
        return make_plan(sheet, mode=mode, losses=losses), sheet.robot, mode, losses

    async def keep_plan(self, request: Request) -> Response:
        """Keep a plan: the next recording of the robot is read by it."""
        from pwmscope.bench import plan_toml

        plan, *_ = self._plan(await _sent(request))
        name = await run_in_threadpool(self.folder.keep_plan, plan_toml(plan))
        if _wants_json(request):
            return JSONResponse({"said": name})
        return _go("/record")

    async def together(self, request: Request) -> Response:
        """Judge some recordings as one test."""
        form = await request.form(max_files=0, max_fields=2000)
        chosen = [self.jobs.by_key(str(key)) for key in form.getlist("of")]
        if len(chosen) < 2:
            raise DeskError("Tick two recordings or more; they are judged as one test.")
        if len({each.sheet for each in chosen}) > 1:
            raise DeskError("These recordings are of different robots; tick those of one.")
        names = sorted({name for each in chosen for name in each.parts or [each.name]})
        tests = (each for each in self.jobs.ordered() if sorted(each.parts) == names)
        if (known := next(tests, None)) is not None:
            return _go(f"/answer/{known.key}")
        name = await run_in_threadpool(self.folder.keep_test, names)
        await self.jobs.take(name)
        self.jobs.recordings[name].sheet = chosen[0].sheet
        return _go(f"/answer/{self.jobs.recordings[name].key}")

    def answers(self, _: Request) -> Response:
        """List all answers."""
        return self._page("answers.html.j2", title="Answer", place="answer")

    def answer(self, request: Request) -> Response:
        """Show one recording's answer, or how far it has come."""
        recording = self.jobs.by_key(request.path_params["key"])
        values: dict[str, Any] = {
            "title": f"{recording.name}", "place": "answer", "one": recording,
            "fragment": "", **self._beside(recording),
        }  # fmt: skip
        if recording.state is State.ANSWERED:
            path = self.folder.results(recording.name) / "answer.html"
            with contextlib.suppress(OSError):
                values["fragment"] = path.read_text(encoding="utf-8")
        return self._page("answer.html.j2", **values)

    def answer_part(self, request: Request) -> Response:
        """Show where the work on one recording stands."""
        recording = self.jobs.by_key(request.path_params["key"])
        return self._page("answer_part.html.j2", one=recording, **self._beside(recording))

    def _beside(self, recording: Recording) -> dict[str, Any]:
        """Say what stands beside an answer: whether its sheet changed, what was written."""
        sheet, results = recording.sheet, self.folder.results(recording.name)
        path = self.folder.path / sheet
        known = recording.found.get("sheet_sha256", "")
        is_stale = bool(sheet) and sheet in self.folder.sheets() and known != sheet_hash(path)
        example, drill = SHIPPED.values()
        return {
            "is_of_the_example": sheet == example and recording.name != drill,
            "is_stale": (is_stale or self.jobs.is_outdated(recording)) and recording.is_kept,
            "parts_of": [self.jobs.recordings[n] for n in recording.parts if n in
                      self.jobs.recordings],
            "has_report": (results / "report" / "report.html").is_file(),
            "is_compared": recording.is_kept and (results / "compared.html").is_file()
            and bool(recording.found.get("earlier")),
        }  # fmt: skip

    async def act(self, request: Request) -> Response:
        """Do with a recording what a person asked for."""
        recording = self.jobs.by_key(request.path_params["key"])
        what, sent = request.path_params["what"], await _sent(request)
        if what == "cancel":
            await self.jobs.cancel(recording)
        elif what == "again":
            sheet = sent.get("sheet")
            if sheet:
                self.folder.sheet_path(sheet)
            plan = "" if sent.get("plan") == "none" else None
            await self.jobs.read_again(recording, sheet=sheet, plan=plan)
        elif what == "hints":
            hints = {name: sent[name].strip() for name in HINTS if sent.get(name, "").strip()}
            kept = {} if sent.get("forget") else {**recording.hints, **hints}
            await self.jobs.read_again(recording, hints=kept)
        elif what == "follow":
            await self.jobs.follow(recording)
        elif what in {"register", "report"}:
            parts = [self.jobs.recordings.get(name) for name in recording.parts]
            for each in parts if parts and what == "register" else [recording]:
                if each is not None and not (what == "register" and each.entry):
                    await self.jobs.also(each, what)
        else:
            raise DeskError("The desk cannot do that.")
        return _go(f"/answer/{recording.key}" if sent.get("go") != "day" else "/day")

    def file(self, request: Request) -> Response:
        """Serve one of a recording's results."""
        recording = self.jobs.by_key(request.path_params["key"])
        name = request.path_params["name"]
        path = self.folder.results(recording.name) / name
        if not _FILES.fullmatch(name) or not path.is_file() or path.is_symlink():
            return PlainTextResponse("There is no such file.\n", 404)
        return FileResponse(path, headers=_ALONE if path.suffix == ".html" else None)

    def change(self, request: Request) -> Response:
        """Show what to change after the newest recording of the robot."""
        asked = request.query_params.get("of")
        known = [each for each in self.jobs.ordered() if each.state is State.ANSWERED]
        if asked:
            chosen: Recording | None = self.jobs.by_key(asked)
        else:
            sheet = self.folder.sheet
            chosen = next((each for each in known if each.sheet == sheet), None)
            chosen = chosen or next(iter(known), None)
        change: dict[str, Any] = {}
        if chosen is not None:
            with contextlib.suppress(OSError, ValueError):
                path = self.folder.results(chosen.name) / "change.json"
                change = json.loads(path.read_text(encoding="utf-8"))
        beside = {} if chosen is None else self._beside(chosen)
        return self._page(
            "change.html.j2", title="Change", place="change", one=chosen, change=change,
            answered=known, **beside,
        )  # fmt: skip

    def day(self, _: Request) -> Response:
        """Show all robots of the day."""
        return self._page("day.html.j2", title="Day", place="day", **self._day())

    def day_part(self, _: Request) -> Response:
        """Show the table of the day."""
        return self._page("day_part.html.j2", **self._day())

    def _day(self) -> dict[str, Any]:
        from pwmscope.report import RegisterError, day_rows

        register = self.folder.path / REGISTER
        rows: tuple[object, ...] = ()
        said, day = "", datetime.datetime.now().astimezone().date()
        if register.exists():
            try:
                day, rows = day_rows(register)
            except RegisterError as error:
                said = str(error)
        return {"rows": rows, "said": said, "day": day.isoformat(), "has_register": bool(rows)}

    async def enter_all(self, _: Request) -> Response:
        """Enter all answered recordings in the register."""
        for recording in self.jobs.ordered()[::-1]:
            if not recording.entry and not recording.parts:
                await self.jobs.also(recording, "register")
        return _go("/day")

    def day_sheet(self, request: Request) -> Response:
        """Show the day's sheet, as a page to print or as PDF."""
        from pwmscope.report import day_rows, day_sheet_pdf, day_sheet_text

        register = self.folder.path / REGISTER
        if not register.exists():
            raise DeskError("The register holds nothing yet; enter a recording first.")
        day, rows = day_rows(register)
        if request.path_params["form"] == ".pdf":
            return Response(day_sheet_pdf(register, day, rows), media_type="application/pdf")
        if request.path_params["form"] == ".html":
            return HTMLResponse(day_sheet_text(register, day, rows), headers=_ALONE)
        return PlainTextResponse("There is no such page.\n", 404)


def _is_at_work(recording: Recording) -> bool:
    return bool(recording.doing) or recording.state not in {State.ANSWERED, State.CANCELLED}


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


async def _sent(request: Request) -> dict[str, str]:
    """Read a form; of a field that is given twice the last that is not empty counts."""
    form: FormData = await request.form(max_files=0, max_fields=2000)
    sent: dict[str, str] = {}
    for name, value in form.multi_items():
        if isinstance(value, str) and (value or name not in sent):
            sent[name] = value
    return sent


def _place(sent: Mapping[str, str]) -> str:
    """Go back to the place that a form was on."""
    return f"/{sent['place']}" if sent.get("place") in PLACES else "/"


def _go(address: str) -> Response:
    return RedirectResponse(address, HTTPStatus.SEE_OTHER)


def _cautions() -> tuple[str, ...]:
    from pwmscope.bench import CAUTIONS

    return CAUTIONS


def _why_no_sheet(text: str, name: str) -> str:
    from pwmscope.bench import SheetError, parse_sheet

    try:
        parse_sheet(text, source=name)
    except SheetError as error:
        return str(error)
    return ""


def _copy_shipped(source: str, target: Path) -> None:
    """Copy a recording that comes with the package, or with the project it is developed in."""
    package = Path(__file__).parent
    for home in (package / "shipped", package.parents[1] / "captures"):
        if (home / source).is_file():
            part = target.with_name(f"{target.name}.part")
            shutil.copyfile(home / source, part)
            part.replace(target)
            return
    raise DeskError("The shipped recording is missing; install pwmscope again.")
