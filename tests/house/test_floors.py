"""Arrows point down, the domain is pure, nothing happens at import."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

from tests.house.tree import (
    DOMAIN,
    PACKAGE,
    ROOT,
    dotted,
    floor_of,
    imported,
    modules,
    name_of,
    tree,
)

NETWORK = {
    "aiohttp",
    "asyncio",
    "ftplib",
    "http",
    "httpx",
    "requests",
    "smtplib",
    "socket",
    "socketserver",
    "ssl",
    "urllib",
    "urllib3",
    "xmlrpc",
}
CLOCK = {
    "date.today",
    "datetime.date.today",
    "datetime.datetime.now",
    "datetime.datetime.today",
    "datetime.datetime.utcnow",
    "datetime.now",
    "datetime.today",
    "datetime.utcnow",
    "time.gmtime",
    "time.localtime",
    "time.time",
    "time.time_ns",
}
GLOBAL_CHANCE = ("np.random.", "numpy.random.", "random.", "secrets.", "uuid.uuid")
OWN_CHANCE = ("Generator", "PCG64", "SeedSequence", "BitGenerator")
VAGUE = {"core", "utils", "util", "helpers", "helper", "common", "base", "manager", "misc"}


def test_import_contracts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The contracts of pyproject.toml: layers, and what the domain and the console may touch."""
    monkeypatch.chdir(ROOT)
    assert lint_imports(config_filename="pyproject.toml", no_cache=True) == 0


def test_every_package_has_its_floor() -> None:
    contract = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    for name in sorted({floor_of(path) for path in modules()} - {"__init__"}):
        assert f"rhizoledger.{name}" in contract, f"{name} stands on no floor"


def test_no_network_no_clock_no_chance_of_its_own() -> None:
    for path in modules():
        found = [
            f"{name_of(path)}:{line}: imports {name}"
            for line, name in imported(path)
            if name.split(".")[0] in NETWORK | {"random", "secrets"}
        ]
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call):
                called = dotted(node.func)
                by_chance = called.startswith(GLOBAL_CHANCE) and not called.endswith(OWN_CHANCE)
                if called in CLOCK or by_chance:
                    found.append(f"{name_of(path)}:{node.lineno}: calls {called}")
        assert not found, "\n".join(found)


def test_domain_opens_and_prints_nothing() -> None:
    for path in (path for path in modules() if floor_of(path) in DOMAIN):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call):
                assert dotted(node.func) not in ("open", "print", "input", "exec", "eval"), (
                    f"{name_of(path)}:{node.lineno}"
                )


def test_names_say_what_a_module_holds() -> None:
    for path in modules():
        assert not VAGUE & set(path.relative_to(PACKAGE).with_suffix("").parts)


def test_nothing_is_waved_through_without_saying_what() -> None:
    for path in modules():
        for n, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            for mark, named in (("# noqa", "# noqa: "), ("# type: ignore", "# type: ignore[")):
                assert mark not in line or named in line, f"{name_of(path)}:{n}: {line.strip()}"


def test_command_line_imports_nothing_heavy() -> None:
    """A command imports its workflow when it runs, not before."""
    code = "import rhizoledger.cli.app, sys; print('\\n'.join(sys.modules))"
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout.split()
    heavy = ("numpy", "scipy", "polars", "python_calamine", "xlsxwriter", "rhizoledger.workflows")
    assert "rhizoledger.cli.app" in out
    assert not [name for name in out if name.startswith(heavy)]


def test_import_prints_and_writes_nothing(tmp_path: Path) -> None:
    names = [
        ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")
        for path in modules()
    ]
    code = "import importlib\nfor name in {!r}: importlib.import_module(name)".format(
        [name for name in names if not name.endswith("__main__")]
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert not list(tmp_path.iterdir())
