"""Calls that run on beyond the end of their loop."""

import looptime
from tests.parsers.assemble.build import by_name, write
from tests.parsers.build import balance


def test_call_across_a_loop_boundary_is_split(tmp_path):
    """A call that runs on into the next two loops is one row whose self time is shared out."""
    text = (
        "loop,name,start_us,duration_us\n"
        "0,a,0,100\n0,long,700,1600\n"  # reaches 2300: 300 in loop 0, 1000 in 1, 300 in 2
        "1,inner,1000,50\n"
        "2,inner,2000,50\n2,b,2500,10\n"
        "3,a,3000,100\n"
    )
    run = looptime.read(write(tmp_path, text))
    assert len(run) == 3
    table = by_name(run)
    assert table["long"] == [300.0, 950.0, 250.0]
    assert table["inner"] == [0.0, 50.0, 50.0]
    long = run.calls[run.calls.name == "long"]
    assert long.duration_ns.tolist() == [1_600_000]
    assert long.self_ns.tolist() == [1_500_000]
    balance(run)


def test_call_past_the_last_loop(tmp_path):
    """What reaches past the last whole loop belongs to none; the books still balance."""
    text = "loop,name,start_us,duration_us\n0,a,0,10\n1,a,1000,10\n1,long,1500,900\n2,a,2600,5\n"
    text = text.replace("2,a,2600,5", "2,a,2000,5")
    run = looptime.read(write(tmp_path, text))
    assert by_name(run)["long"] == [0.0, 500.0]
    balance(run)
