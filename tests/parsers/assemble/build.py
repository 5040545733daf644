"""Logs of calls, and what their loops hold."""

import numpy as np

HEADER = "name,start_us,duration_us\n"


def write(tmp_path, text, name="log.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def by_name(run):
    """Self time [us] in each loop, by name."""
    pieces = run.self_pieces()
    table = {}
    for code, name in enumerate(run.names):
        mine = pieces.name == code
        table[name.name] = (
            np.bincount(pieces.loop[mine], weights=pieces.self_ns[mine], minlength=len(run)) / 1e3
        ).tolist()
    return table
