"""Tables as export dialogs write them by common practice, beside what nobody asked them for."""

import pytest

from pwmscope import PwmscopeError, load

RISES_US = [5_000 + 20_000 * k for k in range(40)]
EDGES_US = sorted([*RISES_US, *(rise + 1500 for rise in RISES_US)])
ROWS = [(0, 0), *((edge, 1 - n % 2) for n, edge in enumerate(EDGES_US)), (810_000, 0)]
SAMPLES = [(at, int((at - 5_000) % 20_000 < 1500 and at >= 5_000)) for at in range(0, 400_000, 100)]


def lines_of(header, form, rows=ROWS):
    return header + "".join(form.format(at=at, level=level, s=at / 1e6) for at, level in rows)


def listed(header, form):
    return header + "".join(form.format(rise) for rise in RISES_US)


@pytest.mark.parametrize(
    ("text", "aside"),
    [
        (lines_of("time_us,RX1,Comment\n", "{at},{level},\n").replace(",1,\n", ",1,cue\n", 1),
         "Comment"),
        (lines_of("time_us,RX1,Annotations\n", "{at},{level},stick let go\n"), "Annotations"),
        (lines_of("Time (us)  RX1  Pack (mAh)\n", "{at}  {level}  11{level}\n"), "Pack(mAh)"),
        (listed("Start (us),High (us),Low (us),Period (us)\n", "{},1500,18500,20000\n"),
         "Low (us)"),
        (listed("Start (us),Width (us),Frequency (Hz),Duty (%)\n", "{},1500,50,7.5\n"), "Duty (%)"),
        (lines_of("Record Length,81\nSample Interval,0.0001\nHorizontal Units,s\n\nNo.,RX1,\n",
                  "{at:.0f},{level},\n", [(at // 100, level) for at, level in SAMPLES]), None),
        (lines_of("time_us,RX1\n", "{at},{level}\n").encode("utf-16")[:-1], None),
    ],
)  # fmt: skip
def test_what_stands_beside_the_levels_costs_nothing_and_is_named(tmp_path, text, aside):
    file = tmp_path / "a.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    capture = load(file)
    found = capture.lines[next(iter(capture.lines))].edges_ps // 10**6
    count = found.size
    assert count >= 38
    assert (found - found[0]).tolist() == [edge - EDGES_US[0] for edge in EDGES_US[:count]]
    if aside is not None:
        assert any("left out" in said and f"'{aside}'" in said for said in capture.assumptions)


def test_a_line_called_as_a_remark_is_read_where_it_is_asked_for(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(lines_of("time_us,RX1,note\n", "{at},{level},{level}\n"))
    assert list(load(file).lines) == ["RX1", "note"]
    file.write_text(lines_of("time_us,RX1,note\n", "{at},{level},cue\n"))
    with pytest.raises(PwmscopeError, match="column note: the level is 'cue'"):
        load(file, lines="RX1,note")


def test_times_too_coarse_for_any_pulse_are_said_to_be_so(tmp_path):
    file = tmp_path / "a.csv"
    text = "".join(f"{at / 1e6:.1f},{level}\n" for at, level in ROWS)
    file.write_text("time_s,RX1\n" + text)
    with pytest.raises(PwmscopeError, match=r"share their time .*; export the times with more dec"):
        load(file)
