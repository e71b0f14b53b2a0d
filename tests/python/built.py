"""What is tested, as it was built.

TENON_VST3 names the bundle and TENON_CLI the command-line program; without them both are looked
for where `cargo xtask bundle` and `cargo build --release` put them.
"""

import os
import subprocess
from pathlib import Path

TARGET = Path(__file__).resolve().parents[2] / "target"


def built(variable, path, remedy):
    """What a variable names, else what was built; without it there is nothing to test."""
    found = Path(os.environ.get(variable, TARGET / path))
    assert found.exists(), (
        f"{found} is not there; make it with `{remedy}`, or name another in {variable}"
    )
    return found


def tenon(*arguments):
    """Runs the command-line program; gives what it prints."""
    name = "tenon.exe" if os.name == "nt" else "tenon"
    program = built("TENON_CLI", f"release/{name}", "cargo build --release")
    run = subprocess.run([program, *arguments], capture_output=True, encoding="utf-8")
    assert run.returncode == 0, run.stderr
    return run.stdout
