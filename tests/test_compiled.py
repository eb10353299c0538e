"""What is kept of compiled loops serves whoever comes next, or is compiled anew.

Each test hands one small kernel to real processes; `py_func`, the same text uncompiled, says what is right.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.closed

ADD = """
from listen.compiled import compiled
OFFSET = {offset}

@compiled()
def add(value):
    return value + OFFSET
"""
TOTAL = """
from add import OFFSET, add
from listen.compiled import compiled

@compiled()
def total(values):
    found = 0.0
    for value in values:
        found += add(value)
    return found
"""
CALL = """
import sys
import numpy as np
from total import total
{before}
flat = np.arange(10.0)
forms = {{"flat": flat, "gaps": np.repeat(flat, 2)[::2], "whole": np.arange(10)}}
for form in sys.argv[1:]:
    right = [total(forms[form]), total(forms[form])] == [total.py_func(forms[form])] * 2
    print("right" if right else "wrong")
print(sum(total.stats.cache_misses.values()))
"""
SAVE_TOGETHER = """
import sys
from multiprocessing import Barrier, Process, Queue
from pathlib import Path
import numba
from listen.compiled import compiled
from total import total

ROUNDS = 40
FORMS = [(numba.float64[:],), (numba.float64[::1],), (numba.int64[::1],)]

def each_round():
    for number in range(ROUNDS):
        numba.config.CACHE_DIR = f"{sys.argv[1]}/{number}"
        yield compiled()(total.py_func)

def save(form, barrier):
    total.compile(form)
    for fresh in each_round():
        barrier.wait()
        fresh._cache.save_overload(form, total.overloads[form])

if __name__ == "__main__":
    barrier = Barrier(len(FORMS))
    together = [Process(target=save, args=(form, barrier)) for form in FORMS]
    for one in together:
        one.start()
    for one in together:
        one.join()
    kept = 0
    for fresh in each_round():
        for form in FORMS:
            found = fresh._cache.load_overload(form, fresh.targetctx)
            kept += found is not None and found.signature.args == form
    print(kept, ROUNDS * len(FORMS))
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two files of kernels, one of which calls the other."""
    (tmp_path / "add.py").write_text(ADD.format(offset=1.0))
    (tmp_path / "total.py").write_text(TOTAL)
    return tmp_path


def run(folder: Path, *arguments: str, **environment: str) -> list[str]:
    """What a process of its own prints, word by word."""
    places = {
        "PYTHONPATH": str(folder),
        "PYTHONDONTWRITEBYTECODE": "1",
        "NUMBA_CACHE_DIR": str(folder / "kept"),
    }
    done = subprocess.run(
        [sys.executable, *arguments],
        env={**os.environ, **places, **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def call(folder: Path, *forms: str, before: str = "", **environment: str) -> tuple[set[str], int]:
    """Whether a new process reckons right in these forms, and how many it had to compile."""
    *words, n_compiled = run(folder, "-c", CALL.format(before=before), *forms, **environment)
    return set(words), int(n_compiled)


def kept_files(folder: Path, kernel: str) -> list[Path]:
    """Every file that is kept of a kernel."""
    return sorted((folder / "kept").glob(f"*/{kernel}*"))


def test_forms_that_are_saved_at_the_same_moment_are_all_kept(folder: Path) -> None:
    """With a list of forms that each process reads, adds to and writes back, some of these are lost."""
    (folder / "together.py").write_text(SAVE_TOGETHER)
    kept, saved = run(folder, str(folder / "together.py"), str(folder / "rounds"))
    assert kept == saved


def test_the_next_process_compiles_nothing(folder: Path) -> None:
    assert call(folder, "flat", "gaps", "whole") == ({"right"}, 3)
    assert call(folder, "whole", "gaps", "flat") == ({"right"}, 0)


def test_the_code_of_one_form_is_never_used_for_another(folder: Path) -> None:
    """Code for values that lie in one piece reads an array with gaps as if it had none."""
    call(folder, "flat")
    before = set(kept_files(folder, "total"))
    call(folder, "gaps")
    (flat,) = (path for path in before if path.suffix == ".nbc")
    (gaps,) = (path for path in kept_files(folder, "total") if path.suffix == ".nbc" and path not in before)
    shutil.copy(flat, gaps)
    assert call(folder, "gaps") == ({"right"}, 1)
    assert call(folder, "gaps", "flat") == ({"right"}, 0)


@pytest.mark.parametrize("share", [0.0, 0.5, 0.99])
def test_a_file_that_was_cut_short_is_compiled_anew(folder: Path, share: float) -> None:
    """As a power cut leaves it: put in its place, not yet written out."""
    call(folder, "flat")
    for path in kept_files(folder, "total"):
        whole = path.read_bytes()
        path.write_bytes(whole[: int(share * len(whole))])
    assert call(folder, "flat") == ({"right"}, 1)
    assert call(folder, "flat") == ({"right"}, 0)


def test_a_change_in_a_file_whose_kernel_is_called_is_noticed(folder: Path) -> None:
    """Else an installation that is renewed would go on with what it had before."""
    call(folder, "flat")
    (folder / "add.py").write_text(ADD.format(offset=100.0))
    assert call(folder, "flat") == ({"right"}, 1)


def test_nothing_piles_up_where_a_file_is_changed_again_and_again(folder: Path) -> None:
    call(folder, "flat")
    before = kept_files(folder, "")
    (folder / "add.py").write_text(ADD.format(offset=2.0))
    call(folder, "flat")
    assert kept_files(folder, "") == before


def test_without_a_folder_to_keep_them_each_process_compiles_for_itself(folder: Path) -> None:
    nowhere = {"NUMBA_CACHE_DIR": "", "NUMBA_CACHE_LOCATOR_CLASSES": "UserProvidedCacheLocator"}
    assert call(folder, "flat", **nowhere) == ({"right"}, 1)
    assert kept_files(folder, "") == []


def test_a_folder_that_can_no_longer_be_written_stops_nothing(folder: Path) -> None:
    """A file in the folder's place refuses even the administrator, as a full disk would."""
    lose = "import shutil, pathlib; kept = pathlib.Path(total._cache.cache_path); "
    lose += "shutil.rmtree(kept); kept.write_text('')"
    assert call(folder, "flat", before=lose) == ({"right"}, 1)
