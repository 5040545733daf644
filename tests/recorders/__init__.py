"""Tests."""

import pytest

pytest.register_assert_rewrite(*(f"{__name__}.{name}" for name in ("misuse", "shared", "support")))
