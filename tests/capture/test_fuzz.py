"""Damaged files: a capture or one sentence, never anything else."""

from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pwmscope import PwmscopeError, examine, load

ZOO = Path(__file__).parents[2] / "captures" / "zoo"
MADE = (path for path in ZOO.iterdir() if path.is_file())
FILES = sorted(path.name for path in MADE if path.suffix not in {".py", ".md"})
KEEP = 6_000
SNIPPETS = (
    b"\n", b",", b";", b"\t", b'"', b"\x00", b"\xff\xfe", b"-", b"1e400", b"nan", b"$end\n",
    b"#", b"b01 !\n", b"x!\n", b"99999999999999999999", b"\r", b"time_s,time_ms\n", b"\x1f\x8b",
)  # fmt: skip


def read(file, **hints):
    """Load and examine; give the error's text, or a whole sentence where there was none."""
    try:
        examine(load(file, **hints))
    except PwmscopeError as error:
        return str(error)
    return "It was read."


@st.composite
def damage(draw):
    """Cut, repeat, overwrite or insert, one to six times."""
    name = draw(st.sampled_from(FILES))
    content = (ZOO / name).read_bytes()
    if not name.endswith((".parquet", ".arrow", ".gz", ".zst", ".zip")):
        content = content[:KEEP]
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(content)))
        kind = draw(st.sampled_from(["cut", "drop", "repeat", "byte", "snippet", "bytes"]))
        if kind == "cut":
            content = content[:at]
        elif kind == "drop":
            content = content[:at] + content[at + draw(st.integers(1, 40)) :]
        elif kind == "repeat":
            content = content[:at] + content[max(0, at - 50) :]
        elif kind == "byte":
            content = content[:at] + bytes([draw(st.integers(0, 255))]) + content[at + 1 :]
        elif kind == "snippet":
            content = content[:at] + draw(st.sampled_from(SNIPPETS)) + content[at:]
        else:
            content = content[:at] + draw(st.binary(min_size=1, max_size=20)) + content[at:]
    return name, content


@settings(max_examples=400, suppress_health_check=[HealthCheck.too_slow])
@given(damaged=damage())
def test_a_damaged_file_gives_a_capture_or_one_sentence(tmp_path_factory, damaged):
    name, content = damaged
    file = tmp_path_factory.mktemp("fuzz") / name
    file.write_bytes(content)
    said = read(file, **({"rate": "20kHz"} if "without-time" in name else {}))
    assert said.endswith(".")
    assert "\n" not in said


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(content=st.binary(max_size=400))
def test_any_bytes_give_a_capture_or_one_sentence(tmp_path_factory, content):
    file = tmp_path_factory.mktemp("fuzz") / "any.csv"
    file.write_bytes(content)
    assert "\n" not in read(file)


@settings(max_examples=200)
@given(text=st.text(alphabet="01,;\t\n .-xXzZhHlL#$b!eE+\"'timeus", max_size=300))
def test_any_text_of_the_usual_letters(tmp_path_factory, text):
    file = tmp_path_factory.mktemp("fuzz") / "any.csv"
    file.write_text(text)
    assert "\n" not in read(file, rate="1MHz")
