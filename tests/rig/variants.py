"""What the rig can be told, and the recordings that the sample logs consist of."""

#: Every setting of the rig and its value in the plain program. Costs are of our own choosing.
PLAIN: dict[str, object] = {
    "language": "java",
    "seconds": 60,
    "seed": 1,
    "decimals": 0,
    "budget_ms": 25.0,
    "code_version": "plain",
    "detail": "calls",
    "encoders": "single",
    "encoders_every": 1,
    "gyro": "blocking",
    "gyro_bus": "port",
    "gyro_rest_ms": 0.0,
    "gyro_factor": 1.0,
    "lock": "fair",
    "writes": "always",
    "telemetry_ms": 100.0,
    "telemetry_cost_ms": 5.5,
    "flush_s": 0.0,
    "flush_cost_ms": 38.0,
    "range_every": 0,
    "range_period_ms": 27.0,
    "power_every": 0,
    "pace": "free",
    "pace_ms": 20.0,
    "phases": "",
    "garbage_kb": 64,
    "port_base_ms": 0.55,
    "port_per_item_ms": 0.2,
    "port_jitter_ms": 0.03,
    "aux_base_ms": 0.9,
    "aux_per_item_ms": 0.3,
    "aux_jitter_ms": 0.04,
}

_ROUND: dict[str, object] = {
    "seconds": 180, "phases": "standby@0|unattended@12|operator@30|standby@168",
    "encoders": "batched", "flush_s": 7.0, "range_every": 4, "power_every": 40,
    "code_version": "batched",
}  # fmt: skip
_IN_THREAD: dict[str, object] = {"gyro": "thread", "code_version": "gyro-thread"}
_PACED: dict[str, object] = {"encoders": "batched", "flush_s": 7.0, "code_version": "paced"}
_SEASON: dict[str, object] = {"seconds": 30, "detail": "subsystems"}

#: Name of a recording: what it shows, and the settings that differ from the plain program.
RECORDINGS: dict[str, tuple[str, dict[str, object]]] = {
    "single_reads": ("the plain program: each encoder read by a transaction of its own", {}),
    "batched_reads": (
        "all eight encoder readings in one transaction",
        {"encoders": "batched", "code_version": "batched"},
    ),
    "gyro_thread_same_bus": (
        "a thread reads the gyro over and over, on the bus that the loop uses; fair lock",
        _IN_THREAD,
    ),
    "gyro_thread_same_bus_barging": (
        "the same with a lock that whoever comes first may take, waiting or not",
        {**_IN_THREAD, "lock": "barging", "seconds": 30},
    ),
    "gyro_thread_same_bus_rest": (
        "a thread reads the gyro on the loop's bus and rests 8 ms after each reading; fair lock",
        {**_IN_THREAD, "gyro_rest_ms": 8.0, "seconds": 30},
    ),
    "gyro_thread_own_bus": (
        "a thread reads the gyro over and over, on a bus of its own",
        {**_IN_THREAD, "gyro_bus": "aux"},
    ),
    "telemetry_rare": (
        "telemetry is written every 500 ms instead of every 100 ms",
        {"telemetry_ms": 500.0, "code_version": "telemetry-rare"},
    ),
    "encoders_every_third": (
        "the encoders are read in every third loop only",
        {"encoders_every": 3, "code_version": "every-third", "seconds": 30},
    ),
    "writes_on_change": (
        "a wheel is written only when its command has changed",
        {"writes": "on_change", "code_version": "on-change", "seconds": 30},
    ),
    "paced_50hz": (
        "batched reads, paced to 50 Hz; a tick that was missed is skipped",
        {**_PACED, "pace": "skip"},
    ),
    "paced_50hz_catch_up": (
        "batched reads, paced to 50 Hz; ticks that were missed are caught up with",
        {**_PACED, "pace": "catch_up", "seconds": 30},
    ),
    "round": ("a whole round of three minutes in three phases, range sensor waited for", _ROUND),
    "python_single_reads": (
        "the plain program in Python",
        {"language": "python", "seconds": 12},
    ),
    **{
        f"season_runs/run_{n:02d}": (
            "the unchanged program, whole subsystems timed",
            {**_SEASON, "seed": n},
        )
        for n in range(1, 13)
    },
    "season_runs/changed": (
        "the same program with a gyro read that takes 10 % longer",
        {**_SEASON, "seed": 13, "gyro_factor": 1.1, "code_version": "changed"},
    ),
}

#: The recording that shows the state before the change, with the remedy and what it concerns.
RELATED: dict[str, dict[str, object]] = {
    "batched_reads": {"before": "single_reads", "remedy": "batch reads"},
    "gyro_thread_same_bus": {"before": "single_reads", "remedy": "read in a thread"},
    "gyro_thread_same_bus_barging": {"before": "single_reads", "remedy": "read in a thread"},
    "gyro_thread_same_bus_rest": {"before": "single_reads", "remedy": "read in a thread"},
    "gyro_thread_own_bus": {
        "before": "single_reads",
        "remedy": "read in a thread, on another bus",
    },
    "telemetry_rare": {"before": "single_reads", "remedy": "write telemetry less often"},
    "encoders_every_third": {"before": "single_reads", "remedy": "read less often"},
    "writes_on_change": {"before": "single_reads", "remedy": "write only on change"},
    "paced_50hz": {"before": "batched_reads", "remedy": "pace to a fixed rate"},
    "paced_50hz_catch_up": {"before": "batched_reads", "remedy": "pace to a fixed rate"},
    "season_runs/changed": {"before": "season_runs/run_12", "remedy": "none: a regression"},
}
