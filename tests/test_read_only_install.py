"""The compiled model where nothing can be written: no cache beside the code, none in the user's folder. It compiles afresh and works."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
ASK = """
import warnings
warnings.simplefilter("error")
from analysis.line_file import parse_line
from analysis.model import simulate
import analysis.network, sys
assert analysis.network.__file__.startswith(sys.argv[1]), analysis.network.__file__
line = parse_line(open(sys.argv[2]).read())
print(round(simulate(line, [0.1], duration_s=0.3).shots[0].before_pa))
"""


def test_model_works_where_no_cache_can_be_written(tmp_path: Path) -> None:
    """Root may write anywhere, so the places of the cache are blocked by files rather than by permissions."""
    code = tmp_path / "code"
    shutil.copytree(ROOT / "analysis", code / "analysis", ignore=shutil.ignore_patterns("__pycache__"))
    (code / "analysis" / "__pycache__").write_text("a file, where the cache wants a folder")
    blocked = tmp_path / "home"
    blocked.write_text("a file, where a home is wanted")
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("NUMBA_", "XDG_", "PYTHON"))}
    environment |= {"HOME": str(blocked), "USERPROFILE": str(blocked), "LOCALAPPDATA": str(blocked), "PYTHONDONTWRITEBYTECODE": "1"}
    said = subprocess.run(
        [sys.executable, "-c", ASK, str(code), str(ROOT / "sample_data" / "boathouse.toml")],
        cwd=code,
        env=environment | {"PYTHONPATH": str(code)},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert said.returncode == 0, said.stderr
    assert int(said.stdout) > 1e5
    assert (code / "analysis" / "__pycache__").is_file()
