"""Logs of two columns, and the periods that are read of them."""


def write(tmp_path, header, rows):
    path = tmp_path / "log.csv"
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    path.write_text(f"{header}\n{text}", encoding="utf-8")
    return path


def periods(run, unit=1e6):
    return (run.loop_columns.period_ns / unit).tolist()
