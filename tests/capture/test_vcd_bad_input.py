"""Bad value change dumps: one sentence that says what, where and what to do."""

import gzip
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.capture import Hints
from pwmscope.capture.vcd import read_vcd
from pwmscope.capture.vcd.words import MAX_WORD_BYTES
from pwmscope.errors import CaptureError, PwmscopeError

SCALE = "$timescale 1 us $end\n"
HEAD = f"{SCALE}$var wire 1 ! RX1 $end\n$enddefinitions $end\n"
BUS = f"{SCALE}$var wire 3 ! bus $end\n$enddefinitions $end\n"
REAL = f"{SCALE}$var real 64 ! volts $end\n$enddefinitions $end\n"
CASES = {
    "no end of definitions": (f"{SCALE}$var wire 1 ! RX1 $end\n#0\n0!\n", ["no $enddefinitions"]),
    "no variables": (f"{SCALE}$enddefinitions $end\n#0\n", ["no variable is declared"]),
    "no wires": (
        f"{SCALE}$var integer 32 ! i $end\n$enddefinitions $end\n#0\n",
        ["no wires among the 1 variables", "`lines`"],
    ),
    "no edges": (f"{HEAD}#0\n0!\n#5\n0!\n#9\n", ["(RX1) changes level in 9 us"]),
    "nothing after the header": (HEAD, ["(RX1) changes level"]),
    "an undeclared code": (f'{HEAD}#0\n0!\n#5\n1"\n#6\n', ["row 7", "code '\"' of '1\"'"]),
    "an undeclared code of a vector": (f"{HEAD}#0\n0!\n#5\nb1 ?\n", ["row 7", "code '?'"]),
    "an undeclared long code": (f"{HEAD}#0\n1tenletters\n", ["row 5", "code 'tenletters'"]),
    "no code": (f"{HEAD}#0\n0!\n#5\n1\n#6\n0!\n", ["row 7", "'1' has no identifier code"]),
    "time going backwards": (f"{HEAD}#0\n0!\n#5\n1!\n#4\n0!\n", ["row 8", "goes backwards"]),
    "a time that is no number": (f"{HEAD}#0\n0!\n#5e3\n", ["row 6", "'#5e3' is no whole number"]),
    "a time without digits": (f"{HEAD}#0\n0!\n# 5\n", ["row 6", "'#' is no whole number"]),
    "a time beyond reach": (f"{HEAD}#0\n0!\n#10000000000000\n", ["row 6", "106 days"]),
    "a time of 30 digits": (f"{HEAD}#0\n0!\n#{'1' * 30}\n", ["row 6", "beyond reach"]),
    "prose": (f"{HEAD}#0\n0!\nthen it rose\n", ["row 6", "'then' is neither a time nor a value"]),
    "a keyword astray": (f"{HEAD}#0\n$scope\n", ["row 5", "'$scope' found among the values"]),
    "a vector too long": (f"{BUS}#0\nb0101 !\n", ["row 5", "bus", "'b0101' has 4 bits", "3 were"]),
    "a vector without digits": (f"{BUS}#0\nb !\n", ["row 5", "'b' has 0 bits"]),
    "a digit of 2": (f"{BUS}#0\nb012 !\n", ["row 5", "column bus", "0, 1, x and z"]),
    "a number that is none": (f"{REAL}#0\nr3.3V !\n", ["row 5", "volts", "'r3.3V' is no number"]),
    "a number beyond reach": (f"{REAL}#0\nr1e200 !\n", ["row 5", "lies beyond 1e+100"]),
    "a number for a wire": (f"{HEAD}#0\nr3.3 !\n", ["row 5", "does not fit", "type wire"]),
    "a state for a real": (f"{REAL}#0\n1!\n", ["row 5", "does not fit", "type real"]),
    "a timescale of 7 us": (f"$timescale 7 us $end\n{HEAD}", ["row 1", "'7 us'", "1, 10 or 100"]),
    "a short declaration": (f"$var wire ! RX1 $end\n{HEAD}", ["row 1", "type, size"]),
    "an upscope too many": (f"$upscope $end\n{HEAD}", ["row 1", "without its $scope"]),
    "a keyword without end": (f"$date today\n{HEAD}".replace("$end\n", "\n"), ["no $enddefinit"]),
    "words between declarations": (f"dear diary\n{HEAD}", ["row 1", "'dear'", "$ keyword"]),
    "70 lines": (
        f"{SCALE}$var wire 70 ! w $end\n$enddefinitions $end\n#0\n",
        ["70 lines, at most 64 lines are read", "at most 64", "`lines`"],
    ),
    "millions of bits": (f"$var wire 9999999 ! w $end\n{HEAD}", ["more than 1000000 bits"]),
    "one code, two sizes": (
        f"{SCALE}$var wire 1 ! a $end\n$var wire 2 ! b $end\n$enddefinitions $end\n#0\n",
        ["row 3", "'b' shares the identifier code of 'a'"],
    ),
    "zero bytes": (f"{HEAD}#0\n0!\n\0\0\n", ["row 6", "byte 0x00 is not text"]),
    "a word without end": (
        f"{HEAD}#0\n0!\n{'x' * (MAX_WORD_BYTES + 1)}\n",
        ["row 6", "a word of more than 65536 bytes"],
    ),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("block_bytes", [7, 1 << 20])
def test_bad_dump(tmp_path, name, block_bytes):
    content, expected = CASES[name]
    file = tmp_path / "bad.vcd"
    file.write_text(content)
    with pytest.raises(PwmscopeError) as caught:
        read_vcd(file, Hints(), block_bytes=block_bytes)
    message = str(caught.value)
    assert message.startswith(str(file))
    for words in expected:
        assert words in message
    assert "\n" not in message
    assert message.endswith(".")


def test_a_missing_file(tmp_path):
    with pytest.raises(CaptureError, match="there is no such file"):
        read_vcd(tmp_path / "nowhere.vcd", Hints())


@pytest.mark.parametrize("kept", [20, 60_000])
def test_gzip_cut_short(tmp_path, kept):
    values = "".join(f"#{t * t}\n{t % 2}!\n" for t in range(50_000))
    file = tmp_path / "a.vcd.gz"
    file.write_bytes(gzip.compress((HEAD + values).encode())[:kept])
    with pytest.raises(CaptureError, match="gzip data are damaged or cut short"):
        read_vcd(file, Hints())


def test_a_word_that_never_ends_takes_no_memory(tmp_path):
    file = tmp_path / "a.vcd"
    with file.open("w") as out:
        out.write(HEAD + "#0\n0!\n")
        for _ in range(32):
            out.write("1" * (1 << 20))
    tracemalloc.start()
    with pytest.raises(CaptureError, match="row 6: a word of more than"):
        read_vcd(file, Hints())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 << 20


SEED = (
    SCALE + "$scope module bench $end\n$var wire 1 ! RX1 $end\n$var reg 4 # bus [3:0] $end\n"
    "$var real 64 % volts $end\n$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\nx!\nb0 #\n"
    "r0.5 %\n$end\n#100\n1!\nb10z1 #\n#150\n0!\nr3.3 %\n$comment b 1! $end\n#160\n$dumpoff\nx!\n"
    "bx #\n$end\n#200\n$dumpon\n1!\nb1 #\nr1e-1 %\n$end\n#300\n0!\n#400\n"
).encode()
SNIPPETS = [
    b"", b" ", b"\n", b"$end", b"$comment", b"$dumpoff", b"$dumpon", b"$var", b"$enddefinitions",
    b"#", b"#99999999999999999999", b"#0", b"b", b"bx", b"r", b"rNaN %", b"rinf %", b"r-inf %",
    b"s", b"1!", b"1", b"\x00", b"\xff", b"[", b"[-3:0]", b"\\", b"1e400", b"-", b"fs", b"100",
    b"r1e-320 %", b"r9e99 %", b"r-9e99 %",
]  # fmt: skip
mutations = st.lists(
    st.tuples(
        st.integers(0, len(SEED)),
        st.integers(0, 12),
        st.one_of(st.sampled_from(SNIPPETS), st.binary(max_size=4)),
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=200, deadline=None)
@given(mutations)
def test_a_mutated_dump_gives_a_capture_or_our_own_error(tmp_path_factory, changes):
    content = SEED
    for at, cut, inserted in changes:
        content = content[:at] + inserted + content[at + cut :]
    file = tmp_path_factory.getbasetemp() / "mutated.vcd"
    file.write_bytes(content)
    assert outcome(file, 11) == outcome(file, 1 << 20)


def outcome(file, block_bytes):
    """The duration, or nothing where our own error was raised; any other error fails the test."""
    try:
        return read_vcd(file, Hints(), block_bytes=block_bytes).duration_ps
    except PwmscopeError:
        return None


def test_the_dump_before_its_mutation_is_read(tmp_path):
    file = tmp_path / "seed.vcd"
    file.write_bytes(SEED)
    assert outcome(file, 1 << 20) == 400_000_000
