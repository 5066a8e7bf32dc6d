"""Settings put into a configuration file: what stood there stays, comments too."""

import tomllib

import pytest

from cabinetwatch.cli.trial import with_settings
from cabinetwatch.text import ConfigError

VALUES = {"normal_rise_k": 12.3, "time_constant_s": 900.0}

PLAIN = """# the cabinet
[devices.nas]   # the NAS
name = "NAS"
normal_rise_k = 10.0   # as commissioned
derating = [
[45.0, 1.0],
[60.0, 0.5]]

# --- who is told ---

[notify]
repeat_s = 3600    # an hour
"""
NESTED = """[devices.nas]
name = "NAS"

[devices.nas.alarms.over-rise]
on_delay_s = 5

# the cabinet
[devices.cabinet]
name = "Cabinet"
"""
SCATTERED = """[devices.nas]
name = "NAS"

[notify]
repeat_s = 3600

# late
[devices.nas.alarms.over-rise]
on_delay_s = 5
"""
INLINE = """[devices]
nas = { name = "NAS", temperature = "nas-air" }   # short
"""
DOTTED = """devices.nas.name = "NAS"   # short
[site]
name = "home"
"""


@pytest.mark.parametrize("text", [PLAIN, NESTED, SCATTERED, INLINE, DOTTED])
def test_only_the_settings_change_and_every_comment_stays(text: str) -> None:
    changed = with_settings(text, "nas", VALUES)
    wanted = tomllib.loads(text)
    wanted["devices"]["nas"] |= VALUES
    assert tomllib.loads(changed) == wanted
    comments = [line.partition("#")[2] for line in text.splitlines() if "#" in line]
    for comment in comments:
        assert f"#{comment}" in changed


def test_new_keys_stand_with_the_others_and_not_under_the_next_heading() -> None:
    changed = with_settings(PLAIN, "nas", VALUES)
    assert changed.index("time_constant_s") < changed.index("# --- who is told ---")


def test_a_file_with_windows_line_ends_keeps_them() -> None:
    changed = with_settings(PLAIN.replace("\n", "\r\n"), "nas", {"normal_rise_k": 12.3})
    assert changed == PLAIN.replace("\n", "\r\n").replace("= 10.0", "= 12.3")


@pytest.mark.parametrize("text", ["", "[devices.cabinet]\n", "devices = 3\n", "[broken"])
def test_a_file_without_the_device_is_refused(text: str) -> None:
    with pytest.raises(ConfigError):
        with_settings(text, "nas", VALUES)
