"""What tests of text and of files share: settings, and a name that would like to be markup."""

from looptime.checks.recording.recording import Settings

SETTINGS = Settings(budget_ms=11.0)
NASTY = 'x\x1b[31m|<b>&"\u202e\x00'
