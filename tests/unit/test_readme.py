"""The README's Python runs as it stands."""

from __future__ import annotations

import re
from pathlib import Path

README = Path(__file__).parents[2] / "README.md"


def test_the_python_of_the_readme_runs(tmp_path, monkeypatch, capsys):
    (block,) = re.findall(r"^```python\n(.*?)^```$", README.read_text(), re.MULTILINE | re.DOTALL)
    lines = [line for line in block.splitlines() if line.strip()]
    assert len(lines) <= 12
    monkeypatch.chdir(tmp_path)
    exec(compile(block, "README.md", "exec"), {})
    assert "at the operational limit" in capsys.readouterr().out
    assert (tmp_path / "envelope.png").stat().st_size > 10_000
