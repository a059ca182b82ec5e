"""The bench sheet as a form: what a person types becomes the sheet, and faults stand at fields."""

import tomllib
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.bench import ROLES, parse_sheet
from pwmscope.desk.form import example, form_of, read_form

SHEET = Path(__file__).parents[2] / "captures" / "bench.toml"


def typed(form):
    """What a browser sends for a form as it stands."""
    parts = (*form.parts, *form.channels, *form.sources)
    fields = [
        f for part in parts for f in (*part.fields, *part.more, *([part.name] * bool(part.name)))
    ]
    return {field.name: field.value for field in fields}


def quince():
    return tomllib.loads(SHEET.read_text("utf-8"))


def test_a_sheet_survives_the_form():
    form = form_of(quince())
    assert not form.faults
    again = read_form(typed(form))
    assert not again.faults
    before, after = parse_sheet(SHEET.read_text("utf-8")), parse_sheet(again.toml)
    assert after.channels == before.channels
    assert after.sources == before.sources
    assert (after.receiver, after.analyser) == (before.receiver, before.analyser)
    assert (after.robot, after.marker, after.limits) == (before.robot, before.marker, before.limits)


def test_every_wrong_field_says_so_itself():
    sent = typed(form_of(quince())) | {
        "limits.failsafe_s": "-1", "channels.0.stall_a": "500mA", "channels.1.role": "",
        "channels.2.name": "RX1", "receiver.outputs": "many", "marker.late_s": "7",
    }  # fmt: skip
    faults = read_form(sent).faults
    assert set(faults) == {
        "limits.failsafe_s", "channels.0.stall_a", "channels.1.role", "channels.2.name",
        "receiver.outputs", "marker.late_s",
    }  # fmt: skip
    assert "500mA is 0.5 A, so write 0.5" in faults["channels.0.stall_a"]


def test_two_widths_are_written_as_people_write_them():
    sent = typed(form_of(quince()))
    for said in ("980, 1020", "980 1020", "980 to 1020", "980;1020"):
        sheet = read_form(sent | {"channels.2.stop_us": said}).sheet
        assert sheet.channels["RX3"].stop_us == (980.0, 1020.0)
    assert read_form(sent | {"channels.2.stop_us": "1000"}).sheet.channels["RX3"].stop_us == (
        1000.0,
        1000.0,
    )


def test_a_row_without_a_name_asks_for_one_and_an_empty_row_is_none():
    sent = typed(form_of(quince(), {"channels": 2}))
    assert len(form_of(quince(), {"channels": 2}).channels) == 6
    assert not read_form(sent).faults
    faults = read_form(sent | {"channels.5.device": "spare"}).faults
    assert set(faults) == {"channels.5.name"}


def test_a_new_sheet_begins_with_an_example():
    form = form_of(example())
    assert [part.name.value for part in form.channels] == ["RX1", "RX2", "RX3"]
    assert not form.faults


def test_a_bench_of_64_lines_is_a_form_as_well():
    table = {"channels": {f"L{n}": {"role": "servo"} for n in range(64)}}
    form = form_of(table)
    assert len(form.channels) == 64
    assert len(read_form(typed(form)).sheet.channels) == 64


@settings(max_examples=100)
@given(
    st.dictionaries(
        st.sampled_from(sorted(typed(form_of(quince(), {"channels": 1})))),
        st.one_of(st.text(max_size=20), st.sampled_from(["1e999", "nan", "yes", *ROLES])),
        max_size=8,
    )
)
def test_whatever_is_typed_gives_a_sheet_or_faults_at_fields_that_exist(put):
    sent = typed(form_of(quince(), {"channels": 1})) | put
    form = read_form(sent)
    assert (form.sheet is None) == bool(form.faults)
    assert set(form.faults) <= set(typed(form)) | {"channels", "sources", "marker"}
    if form.sheet is not None:
        assert parse_sheet(form.toml).channels == form.sheet.channels


def test_a_line_may_be_named_by_any_letter():
    """Letters beyond 16 bits as well, in a table's name as in a text."""
    typed_by_hand = {
        "robot": "\U0001f916",
        "channels.0.name": "RX \U0001f916 \u202e",
        "channels.0.role": "servo",
    }
    form = read_form(typed_by_hand)
    assert set(parse_sheet(form.toml).channels) == {"RX \U0001f916 \u202e"}
    assert parse_sheet(form.toml).robot == "\U0001f916"


def test_stretches_have_no_field_and_are_kept():
    table = {"robot": "Quince", "stretch": [{"name": "off", "from_s": 0.0, "to_s": 5.0}]}
    form = form_of(table)
    sent = {field.name: field.value for part in form.parts for field in part.fields}
    again = read_form(sent)
    assert not again.faults
    assert again.toml == form.toml
    assert "to_s = 5.0" in again.toml
    assert read_form({**sent, "stretch": "[{"}).faults
