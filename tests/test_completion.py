"""Shells complete what the commands are: the real shells judge the scripts where they are installed."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from simulator.cli import build_parser, main
from simulator.cli.completion import SHELLS, completion_script

COMMANDS = sorted(build_parser()._subparsers._group_actions[0].choices)


@pytest.mark.parametrize("shell", SHELLS)
def test_every_command_and_option_is_in_the_script(shell, capsys):
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert script == completion_script(shell)
    for command in COMMANDS:
        assert re.search(rf"\b{command}\b", script), command
    for option in ("fail-on-flat", "units", "plots", "load-spread"):
        assert option in script
    assert "/work/" not in script


@pytest.mark.parametrize("shell", SHELLS)
def test_the_shell_itself_accepts_the_script(shell, tmp_path):
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed here")
    file = tmp_path / "flatdays"
    file.write_text(completion_script(shell), encoding="utf-8")
    done = subprocess.run([program, "-n", str(file)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def bash_offers(line: str, folder) -> list[str]:
    """What bash completes a line to, by calling the function that the script registers, as the shell would."""
    words = line.split(" ")
    code = f"""
    source ./script
    spec=$(complete -p flatdays); name=${{spec#*-F }}; name=${{name%% *}}
    COMP_WORDS=({" ".join(f"'{word}'" for word in words)}); COMP_CWORD={len(words) - 1}
    COMP_LINE='{line}'; COMP_POINT={len(line)}
    $name flatdays '{words[-1]}' '{words[-2]}' 2>/dev/null
    printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    done = subprocess.run(["bash", "-c", code], capture_output=True, text=True, check=True, cwd=folder)
    return [word.strip() for word in done.stdout.split()]


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed here")
def test_bash_completes_commands_options_choices_and_files(tmp_path):
    (tmp_path / "script").write_text(completion_script("bash"), encoding="utf-8")
    (tmp_path / "my-trip.toml").write_text("")
    assert set(bash_offers("flatdays ", tmp_path)) >= set(COMMANDS)
    assert bash_offers("flatdays li", tmp_path) == ["life"]
    assert set(bash_offers("flatdays run --", tmp_path)) >= {"--out", "--json", "--plots", "--units", "--help"}
    assert set(bash_offers("flatdays run --units ", tmp_path)) >= {"metric", "us"}
    assert "my-trip.toml" in bash_offers("flatdays run my", tmp_path)


def test_an_unknown_shell_is_refused(capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["completion", "cmd"])
    assert stopped.value.code == 2
    assert "bash" in capsys.readouterr().err
