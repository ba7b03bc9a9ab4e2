"""Make the virtual environment of one lock file, and say in words what is missing.

    python3 scripts/bootstrap.py run     what running the program needs, in .venv
    python3 scripts/bootstrap.py dev     what the tests need as well, in .venv
    python3 scripts/bootstrap.py lock    the tool that compiles the locks, in .venv-lock

Only the standard library is used, and only what Python 3.6 can parse: the first thing this file
may have to do is to tell an old Python that it is old, and to go and find a newer one.
A stamp in the environment records the lock's digest, so that a second call does nothing.
"""

import hashlib
import os
import re
import shutil
import subprocess
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
OLDEST = (3, 11)
NEWER = ("3.11", "3.12", "3.13", "3.14")
LOCKS = ("run", "dev", "lock")
BIN = "Scripts" if os.name == "nt" else "bin"
NOT_READY = 2

PROBE = """
import sys
try:
    import ensurepip, venv
    missing = "-"
except ImportError as error:
    missing = error.name or "venv"
print(sys.version_info[0], sys.version_info[1], missing, sys.executable)
"""


class Missing(Exception):
    """Something that this machine lacks, said in words."""


def main(arguments):
    # type: (list[str]) -> int
    if len(arguments) != 1 or arguments[0] not in LOCKS:
        tell("Say which lock to install: run, dev or lock.")
        return NOT_READY
    try:
        prepare(arguments[0])
    except Missing as missing:
        tell(str(missing))
        return NOT_READY
    return 0


def prepare(name):
    # type: (str) -> None
    """Bring the environment of one lock up to date, doing nothing if it already is."""
    venv = os.path.join(ROOT, ".venv-lock" if name == "lock" else ".venv")
    if stamp_of(venv, name) == key(name):
        return
    # A moved folder leaves absolute paths behind in the environment: start it afresh.
    if text_of(os.path.join(venv, "made-in")) != ROOT or probe([python_in(venv)]) is None:
        make_environment(venv)
    install(venv, name)
    stamp(venv, name)
    if name == "dev" and pins("run") <= pins("dev"):
        stamp(venv, "run")


def make_environment(venv):
    # type: (str) -> None
    python = find_python()
    if os.path.exists(venv) and not os.path.exists(os.path.join(venv, "pyvenv.cfg")):
        raise Missing(
            "{} is there but is not a virtual environment. Move it away, then try again.".format(
                venv
            )
        )
    tell("Making {} with {}".format(os.path.basename(venv), python))
    shutil.rmtree(venv, ignore_errors=True)
    if subprocess.call([python, "-m", "venv", venv], env=environment()) != 0:
        raise Missing(
            "{} could not make a virtual environment; its own words are above.".format(python)
        )
    write(os.path.join(venv, "made-in"), ROOT)


def find_python():
    # type: () -> str
    """The first Python on this machine that is new enough and can make an environment."""
    lacking = []
    for command in candidates():
        found = probe(command)
        if found is None:
            continue
        version, missing, executable = found
        if version < OLDEST:
            lacking.append("{} is Python {}.{}".format(executable, version[0], version[1]))
        elif missing != "-":
            lacking.append("{} has no {} module".format(executable, missing))
        else:
            return executable
    raise Missing(
        "No Python {}.{} or newer that can make a virtual environment was found.\n".format(*OLDEST)
        + "".join("  {}\n".format(line) for line in sorted(set(lacking)))
        + "Install one from your system's packages (on Debian and Ubuntu python3-venv belongs\n"
        "with it), then try again, or name it: make PYTHON=/path/to/python3.11"
    )


def candidates():
    # type: () -> list[list[str]]
    """Commands that may start a Python: this one, those on the path, those of pyenv."""
    commands = [[sys.executable]]
    commands += [["python" + version] for version in NEWER]
    versions = os.path.join(
        os.environ.get("PYENV_ROOT") or os.path.expanduser(os.path.join("~", ".pyenv")), "versions"
    )
    if os.path.isdir(versions):
        for version in NEWER:
            for folder in sorted(os.listdir(versions), reverse=True):
                if folder == version or folder.startswith(version + "."):
                    commands.append([os.path.join(versions, folder, "bin", "python")])
    if os.name == "nt":
        commands += [["py", "-" + version] for version in NEWER]
    return commands


def probe(command):
    # type: (list[str]) -> tuple[tuple[int, int], str, str] | None
    """Version, missing module and path of the Python that a command starts; None if it does not."""
    if shutil.which(command[0]) is None:
        return None
    try:
        answer = subprocess.check_output(
            command + ["-I", "-c", PROBE], stderr=subprocess.DEVNULL, env=environment()
        )
    except (OSError, subprocess.CalledProcessError):
        return None
    major, minor, missing, executable = answer.decode("utf-8", "replace").strip().split(" ", 3)
    return (int(major), int(minor)), missing, executable


def install(venv, name):
    # type: (str, str) -> None
    tell("Installing {} packages from requirements/{}.txt".format(len(pins(name)), name))
    pip = [python_in(venv), "-I", "-m", "pip", "install", "-qq", "--no-deps", "--no-input"]
    locked = ["--require-hashes", "--only-binary", ":all:", "-r", lock_file(name)]
    if subprocess.call(pip + locked, env=environment(), cwd=ROOT) != 0:
        raise Missing(
            "pip could not install what requirements/{}.txt names; its own words are above.\n"
            "Most often there is no network, or no ready-made package for this kind of machine.\n"
            "Nothing is half done: run the same command again when that is mended.".format(name)
        )
    here = ["--no-build-isolation", "-e", ROOT]
    if name != "lock" and subprocess.call(pip + here, env=environment(), cwd=ROOT) != 0:
        raise Missing("pip could not install this project itself; its own words are above.")


def environment():
    # type: () -> dict[str, str]
    """This process's environment without what would point Python or pip somewhere else."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name
        not in ("PYTHONPATH", "PYTHONHOME", "PIP_TARGET", "PIP_PREFIX", "__PYVENV_LAUNCHER__")
    }
    kept.update(PIP_USER="0", PIP_DISABLE_PIP_VERSION_CHECK="1")
    return kept


def key(name):
    # type: (str) -> str
    """Digest of what the environment is made from: the lock, and how this project installs."""
    digest = hashlib.sha256(ROOT.encode("utf-8", "surrogateescape"))
    for path in (lock_file(name), os.path.join(ROOT, "pyproject.toml")):
        with open(path, "rb") as file:
            digest.update(file.read())
    return digest.hexdigest()


def pins(name):
    # type: (str) -> set[str]
    """The packages of a lock with their versions."""
    return set(re.findall(r"^[A-Za-z0-9][^\s\\]*==[^\s\\]+", text_of(lock_file(name)), re.M))


def lock_file(name):
    # type: (str) -> str
    return os.path.join(ROOT, "requirements", name + ".txt")


def python_in(venv):
    # type: (str) -> str
    return os.path.join(venv, BIN, "python.exe" if os.name == "nt" else "python")


def stamp_of(venv, name):
    # type: (str, str) -> str
    return text_of(os.path.join(venv, "stamp-" + name))


def stamp(venv, name):
    # type: (str, str) -> None
    write(os.path.join(venv, "stamp-" + name), key(name))


def text_of(path):
    # type: (str) -> str
    try:
        with open(path, encoding="utf-8") as file:
            return file.read()
    except OSError:
        return ""


def write(path, text):
    # type: (str, str) -> None
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)


def tell(text):
    # type: (str) -> None
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
