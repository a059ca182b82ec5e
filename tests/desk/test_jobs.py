"""Recordings that come, grow, are refused, are read again, and are still there after a kill."""

import gzip
import os
import re
import time
import urllib.parse

import psutil

import pwmscope
from pwmscope.bench import load_plan
from pwmscope.desk import Folder
from pwmscope.report import entries
from pwmscope.synth import Output, build, follow_plan, write
from tests.desk.conftest import CAPTURES, wait_for

DRILL = (CAPTURES / "drill.csv.gz").read_bytes()
SWEEP = (CAPTURES / "clean-sweep.csv").read_bytes()
STICKS = {
    "RX1": Output(1500.0, {"elevator": 450.0}),
    "RX2": Output(1500.0, {"aileron": 450.0}),
    "RX3": Output(1000.0, {"throttle": 1000.0}),
    "RX4": Output(1498.0, {"rudder": 400.0}),
}
UNTIMED = (CAPTURES / "zoo" / "samples-without-time.csv").read_bytes()


def wait_for_words(desk, path, *words):
    """Wait until a page says one of some words; give the page."""

    def said():
        page = desk.ask("GET", path)[2].decode()
        return page if any(word in page for word in words) else None

    return wait_for(said, f"{words} on {path}")


def test_the_shipped_recording_is_answered(desk):
    status, headers, _ = desk.post("/try")
    assert (status, headers["location"]) == (303, "/answer/drill.csv.gz")
    found = desk.wait_for_answer("drill.csv.gz")
    assert found["headline"] == "FAILSAFE meets, 10 of 10, slowest 0.98 s"
    assert found["robot"] == "Quince"
    page = desk.get("/answer/drill.csv.gz")
    assert "FAILSAFE meets, 10 of 10" in page
    assert page.count('class="card meets"') == 4
    assert 'id="timeline-data"' in page
    results = desk.folder / "results" / "drill.csv.gz"
    assert (results / "one-page.pdf").read_bytes().startswith(b"%PDF")


def test_files_saved_at_once_are_all_answered_once(desk):
    """As an export program would: written side by side into the folder."""
    names = [f"robot-{n}.csv" for n in range(4)]
    for n, name in enumerate(names):
        (desk.folder / name).write_bytes(SWEEP + b"\n" * (n + 1))
    at_once = 0
    while not all(map(desk.state, names)):
        at_once = max(at_once, desk.get("/part/answers").count("reading"))
    assert at_once <= 2  # the rest wait in line
    assert {desk.state(name)["verdict"] for name in names} == {"not shown"}
    page = desk.get("/answer")
    assert all(page.count(f'href="/answer/{name}"') == 1 for name in names)


def test_a_file_that_grows_waits_and_says_so(desk):
    path = desk.folder / "growing.csv"
    half = len(SWEEP) // 2
    path.write_bytes(SWEEP[:half])
    for _ in range(4):
        with path.open("ab") as out:
            out.write(b"")
        os.utime(path)
        time.sleep(0.4)
        assert "still growing" in desk.get("/part/answer/growing.csv")
        assert desk.state("growing.csv") is None
    with path.open("ab") as out:
        out.write(SWEEP[half:])
    assert desk.wait_for_answer("growing.csv")["size"] == len(SWEEP)


def test_a_file_that_grows_is_followed_live_and_answered_when_it_is_whole(desk):
    text = gzip.decompress(DRILL)
    path, at = desk.folder / "live.csv", 200_000
    path.write_bytes(text[:at])
    said, is_asked = "", False
    while "signal lost" not in said or "RX1 " not in said:
        assert at < len(text), said
        with path.open("ab") as out:
            out.write(text[at : at + 1000])
        at += 1000
        time.sleep(0.2)
        said = desk.ask("GET", "/part/answer/live.csv")[2].decode()
        if "Follow it live" in said and not is_asked:
            is_asked = desk.post("/answer/live.csv/follow")[0] == 303
    assert "no verdict" in said
    with path.open("ab") as out:
        out.write(text[at:])
    assert desk.wait_for_answer("live.csv")["size"] == len(text)


def test_a_refused_file_names_its_choices_and_the_next_of_its_shape_needs_none(desk):
    desk.upload([("untimed.csv", UNTIMED)])
    page = wait_for_words(desk, "/part/answer/untimed.csv", "fault")
    assert re.search(r'<button name="rate" value="1MHz">', page)
    assert "“Sample rate”" in page
    assert desk.post("/answer/untimed.csv/hints", rate="1MHz")[0] == 303
    assert desk.wait_for_answer("untimed.csv")["hints"] == {"rate": "1MHz"}
    desk.upload([("untimed-too.csv", UNTIMED + b"\n")])
    assert desk.wait_for_answer("untimed-too.csv")["hints"] == {"rate": "1MHz"}
    assert "sample rate 1MHz" in desk.get("/answer/untimed-too.csv")


def test_of_two_time_columns_the_chosen_one_is_remembered_for_files_of_the_shape(desk):
    rows = b"".join(b"%d.5,%d,%d\n" % (n, 10 * n, n % 2) for n in range(40))
    desk.upload([("twice.csv", b"time_s,t_ms,RX1\n" + rows)])
    page = wait_for_words(desk, "/part/answer/twice.csv", "fault")
    assert re.search(r'<button name="time_column" value="t_ms">', page)
    desk.post("/answer/twice.csv/hints", time_column="t_ms")
    assert desk.wait_for_answer("twice.csv")["hints"] == {"time_column": "t_ms"}
    desk.upload([("twice-too.csv", b"time_s,t_ms,RX1\n" + rows + b"90.5,900,1\n")])
    assert desk.wait_for_answer("twice-too.csv")["hints"] == {"time_column": "t_ms"}


def test_a_file_that_nobody_can_read_is_left_aside(desk):
    desk.upload([("words.csv", b"nothing\nto read\n")])
    wait_for_words(desk, "/part/answer/words.csv", "fault")
    assert "refused: " in desk.get("/part/work")
    desk.post("/answer/words.csv/cancel")
    assert "words.csv" not in desk.get("/part/work")


def test_two_recordings_of_one_robot_are_compared_by_themselves(desk):
    desk.upload([("later.csv.gz", (CAPTURES / "preset.csv.gz").read_bytes())])
    found = desk.wait_for_answer("later.csv.gz")
    earlier = found["earlier"]
    assert earlier in desk.names()
    assert earlier in desk.get("/answer/later.csv.gz")
    assert "differ" in desk.get("/files/later.csv.gz/compared.html")
    assert f"Since {earlier}" in desk.get("/change?of=later.csv.gz")


def test_the_plan_that_was_kept_is_passed_to_the_next_recording(desk, tmp_path):
    """What the hands were led through is what the analysis lays over the recording."""
    assert desk.state("drill.csv.gz")["plan"] == ""
    desk.post("/ready", place="record")
    assert desk.post("/record/plan", mode="2", losses="0")[0] == 303
    (plan,) = desk.folder.glob("*.plan.toml")
    assert load_plan(plan).robot == "Quince"
    assert plan.name in desk.get("/record")
    assert f'value="{plan.name}"' not in desk.get("/day")  # a plan is no bench sheet
    followed = follow_plan(load_plan(plan), STICKS, seed=1, marker="tx-on").script
    write(build(followed), tmp_path / "planned.csv")
    desk.upload([("planned.csv", (tmp_path / "planned.csv").read_bytes())])
    found = desk.wait_for_answer("planned.csv")
    assert found["plan"] == plan.name
    page = desk.get("/answer/planned.csv")
    assert f"Read by the plan {plan.name}: " in page
    desk.post("/answer/planned.csv/again", plan="none")
    wait_for(lambda: desk.state("planned.csv")["plan"] == "", "the answer without the plan")
    desk.upload([("other.csv", SWEEP + b"\n" * 99)])
    found = desk.wait_for_answer("other.csv")
    assert found["plan_said"].startswith(f"It does not follow the plan {plan.name}, so it was read")


def test_several_recordings_are_judged_as_one_test(desk):
    """The list of them is a plain file; names that are not the folder's own are refused."""
    ticked = urllib.parse.urlencode([("of", "drill.csv.gz"), ("of", "later.csv.gz")])
    status, headers, _ = desk.ask("POST", "/answer/together", ticked.encode())
    key = headers["location"].removeprefix("/answer/")
    assert (status, key) == (303, "quince-1.test")
    found = desk.wait_for_answer(key)
    together = pwmscope.analyse(
        CAPTURES / "drill.csv.gz", CAPTURES / "preset.csv.gz", sheet=CAPTURES / "bench.toml"
    )
    assert found["headline"] == together.headline
    assert (desk.folder / key).read_text("utf-8") == "drill.csv.gz\nlater.csv.gz\n"
    wait_for_words(desk, f"/answer/{key}", "Enter its recordings in the register")
    (desk.folder / "alone.test").write_text("drill.csv.gz\n../secret\n")
    wait_for_words(desk, "/part/answer/alone.test", "../secret is not in the folder")
    (desk.folder / "nested.test").write_text("quince-1.test\nlater.csv.gz\n")
    wait_for_words(desk, "/part/answer/nested.test", "quince-1.test is a test itself")
    assert desk.post("/answer/together", of="drill.csv.gz")[0] == 409


def test_a_list_that_is_too_long_is_no_test_of_its_first_names(tmp_path):
    """What stands below the bound could be the recording that fails."""
    names = ["drill.csv.gz", "later.csv.gz"]
    (tmp_path / "long.test").write_text("\n".join([*names, "\n" * (1 << 16), "fails.csv"]))
    (tmp_path / "short.test").write_text("\n".join(names))
    folder = Folder(tmp_path)
    assert (folder.parts("long.test"), folder.parts("short.test")) == ([], names)


def test_the_register_holds_what_was_entered_and_the_day_sheet_prints(desk):
    assert desk.post("/answer/drill.csv.gz/register")[0] == 303
    wait_for_words(desk, "/day", "entry 1")
    (entry,) = entries(desk.folder / "register.sqlite")
    assert (entry.robot, entry.note) == ("Quince", desk.state("drill.csv.gz")["headline"])
    status, headers, body = desk.ask("GET", "/day/sheet.pdf")
    assert (status, headers["content-type"]) == (200, "application/pdf")
    assert body.startswith(b"%PDF")
    status, headers, body = desk.ask("GET", "/day/sheet.html")
    assert b"Quince" in body
    assert headers["content-security-policy"].startswith("sandbox")


def test_the_whole_report_is_written_on_request(desk):
    desk.post("/answer/robot-0.csv/report")
    results = desk.folder / "results" / "robot-0.csv" / "report"
    wait_for((results / "report.pdf").exists, "the report")
    wait_for_words(desk, "/answer/robot-0.csv", "report.html")


def test_a_changed_sheet_is_told_and_the_recording_held_against_it(desk):
    sheet = desk.folder / "quince.toml"
    sheet.write_text(sheet.read_text("utf-8").replace("failsafe_s = 2.0", "failsafe_s = 0.5"))
    assert "has changed since" in desk.get("/answer/drill.csv.gz")
    desk.post("/answer/drill.csv.gz/again", sheet="quince.toml")
    found = wait_for(
        lambda: (known := desk.state("drill.csv.gz")) and known["verdict"] != "meets" and known,
        "the new answer",
    )
    assert "does not meet" in found["headline"]


def test_what_is_held_against_the_shipped_example_says_so(desk):
    said = "held against the shipped example"
    assert said in desk.get("/answer/later.csv.gz")
    assert said not in desk.get("/answer/drill.csv.gz")


def test_an_analysis_is_cancelled_and_read_again(desk):
    rows = b"".join(b"%.4f,%d\n" % (n / 1e4, n % 2) for n in range(100_000))
    desk.upload([("long.csv.gz", gzip.compress(b"time,RX1\n" + rows))])
    desk.post("/answer/long.csv.gz/cancel")
    assert "cancelled" in desk.get("/part/answer/long.csv.gz")
    desk.post("/answer/long.csv.gz/again")
    wait_for_words(desk, "/part/answer/long.csv.gz", 'class="does"', "fault")
    (desk.folder / "long.csv.gz").unlink()


def test_a_kill_loses_nothing_that_was_uploaded(desk):
    """Three kills here; `tests/benchmarks/desk` has thirty."""
    kept = {}
    for when_s in (0.0, 0.15, 0.6):
        name, content = f"killed-{when_s}.csv", SWEEP + b"\n" * round(20 + 10 * when_s)
        assert desk.upload([(name, content)])[0] == 303
        kept[name] = content
        time.sleep(when_s)
        desk.kill()
        desk.begin()
        assert all((desk.folder / n).read_bytes() == c for n, c in kept.items())
    for name in kept:
        assert desk.wait_for_answer(name)["verdict"] == "not shown"
    assert not list(desk.folder.glob("*.part"))


def test_no_process_outlives_a_desk_that_was_killed(desk):
    children = psutil.Process(desk.process.pid).children(recursive=True)
    desk.kill()
    _, alive = psutil.wait_procs(children, timeout=30)
    assert alive == []
    desk.begin()
