"""Puts `harness` on the path of every test (the folder of this file is), with clear asserts."""

import pytest

pytest.register_assert_rewrite("harness")
