"""What is handed out: wheel and sdist build, hold what they must, and work in an empty environment.

The running Python gets the wheel alone, beside the packages that are installed here. On the build
machine (``CI`` is ``true``) every other Python found gets an environment with nothing but the
wheel and what it asks for, from the package index.
"""

import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
OTHERS = [
    version
    for version in ("3.11", "3.12", "3.13", "3.14")
    if version != f"{sys.version_info.major}.{sys.version_info.minor}"
]


def run(*words, **keywords):
    done = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, check=False, **keywords
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """The sdist, and the wheel built from it."""
    folder = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "build", "--no-isolation", "--outdir", folder, ROOT)
    (sdist,), (wheel,) = folder.glob("*.tar.gz"), folder.glob("*.whl")
    return sdist, wheel


def test_the_index_would_take_them(built):
    run(sys.executable, "-m", "twine", "check", "--strict", *built)


def test_the_wheel_holds_every_module_template_and_the_licence(built):
    _, wheel = built
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    ours = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "pwmscope").rglob("*")
        if path.is_file() and path.suffix not in {".pyc"} and "__pycache__" not in path.parts
    }
    assert ours <= names
    assert not any(name.startswith(("tests/", "captures/")) for name in names)
    assert any(name.endswith("licenses/LICENSE") for name in names)


def test_the_sdist_holds_what_its_tests_need(built):
    sdist, _ = built
    with tarfile.open(sdist) as archive:
        tops = {name.split("/")[1] for name in archive.getnames() if "/" in name}
    assert {
        "pwmscope", "tests", "captures", "docs", "README.md", "DEVELOPERS.md", "LICENSE",
        "pyproject.toml",
    } <= tops  # fmt: skip


def test_the_changelog_names_the_version():
    text = (ROOT / "docs" / "changelog.md").read_text("utf-8")
    assert f"## {PROJECT['version']}" in text


def measure_in(python, folder):
    """Measure a shipped recording with an environment's command, away from this folder."""
    capture = shutil.copy(ROOT / "captures" / "clean-sweep.csv", folder)
    command = Path(python).parent / "pwmscope"
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    home = run(python, "-c", "import pwmscope; print(pwmscope.__file__)", cwd=folder,
               env=environment)  # fmt: skip
    assert Path(home.strip()).is_relative_to(Path(python).parents[1])
    assert PROJECT["version"] in run(command, "--version", cwd=folder, env=environment)
    assert "failsafe not recorded" in run(command, "measure", capture, cwd=folder, env=environment)
    run(command, "report", capture, "-o", folder / "out", cwd=folder, env=environment)
    assert {path.name for path in (folder / "out").iterdir()} >= {"report.html", "report.pdf"}


def test_the_wheel_alone_measures_and_reports(built, tmp_path):
    home = tmp_path / "environment"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check"]
    run(*pip, "install", "-q", "--no-deps", "--no-index", "--no-compile", built[1])
    # What it asks for is installed here already; a path file lends it to the new environment.
    (site,) = home.glob("lib/python*/site-packages")
    (site / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n")
    measure_in(python, tmp_path)


def find_python(version):
    """A Python that starts, from the path or from a person's own installations of several."""
    own = sorted(Path.home().glob(f".pyenv/versions/{version}.*/bin/python{version}"))
    for python in (shutil.which(f"python{version}"), *own):
        if (
            python
            and not subprocess.run(
                [python, "--version"], capture_output=True, check=False
            ).returncode
        ):
            return python
    return None


@pytest.mark.parametrize("version", OTHERS)
def test_an_empty_environment_of_another_python_measures_and_reports(built, tmp_path, version):
    python = find_python(version)
    if os.environ.get("CI") != "true":
        pytest.skip("only the build machine fetches what the wheel asks for")
    if python is None:
        pytest.skip(f"there is no Python {version} here")
    home = tmp_path / "environment"
    run(python, "-m", "venv", "--without-pip", home)
    fill(home / "bin" / "python", built[1])
    measure_in(home / "bin" / "python", tmp_path)


def fill(python, wheel):
    """Install the wheel and what it asks for: by uv, or by pip where uv is told of no index."""
    words = ["install", "-q", "--python", str(python), str(wheel)]
    done = subprocess.run(
        [sys.executable, "-m", "uv", "pip", *words], capture_output=True, check=False
    )
    if done.returncode:
        pip = [sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check"]
        run(*pip, "install", "-q", "--no-compile", wheel)
