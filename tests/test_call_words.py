"""Kinds, subsystems and devices that the words of a name suggest."""

import pytest

from looptime.call_words import guess_name
from looptime.schema import CallName


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("gyro.read", "sensor read"),
        ("readGyro", "sensor read"),
        ("motor.read", "sensor read"),
        ("drive.setSpeed", "actuator write"),
        ("log_flush", "telemetry"),
        ("telemetry.write", "telemetry"),
        ("log.line.write", "telemetry"),
        ("drive_written", "actuator write"),
        ("lenkung_geschrieben", "actuator write"),
        ("wheels.sent", "actuator write"),
        ("lift_set", "actuator write"),
        ("status_sent", "other"),
        ("file_written", "other"),
        ("camera frame sent", "sensor read"),
        ("kreisel_gelesen", "sensor read"),
        ("mutex", "wait"),
        ("sleep", "pacing"),
        ("sleptNanos", "pacing"),
        ("drive.update", "compute"),
        ("xyzzy", "other"),
        ("", "other"),
    ],
)
def test_kinds_are_guessed_from_ordinary_words(name, kind):
    """A guess is marked as one."""
    guess = guess_name(CallName(name))
    assert (guess.kind, guess.kind_from) == (kind, "guessed")


def test_subsystem_and_device_come_from_the_name():
    """The part before the first dot or slash; for a device all before the last."""
    guess = guess_name(CallName("drive/left/encoder.read"))
    assert (guess.subsystem, guess.device) == ("drive", "drive.left.encoder")
    assert guess_name(CallName("update")).subsystem is None


def test_only_reads_and_writes_are_of_a_device():
    """What computes has none, and what the log says of a read stays."""
    assert guess_name(CallName("drive.update")).device is None
    assert guess_name(CallName("drive.gyro.read", device="imu")).device == "imu"
