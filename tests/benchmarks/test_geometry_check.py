"""The whole check: against reading with trimesh, against its own mesh's memory, and as meshes grow."""

from __future__ import annotations

import io
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import trimesh

from fixtures.meshes import ArchForm, make_arch, writers
from fixtures.meshes.arches import Body
from qa.geometry.check import CheckRequest, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.reading import read_mesh
from qa.geometry.warm import warm_up
from tests.benchmarks.timing import seconds

pytestmark = pytest.mark.benchmark

MOST_TIMES_READING = 10.0
MOST_TIMES_ARRAYS = 12.0
# Slack over n log n for the share of work that does not fit the processor's cache any more.
GROWTH_SLACK = 2.0


BODIES: tuple[Body, ...] = ("solid", "open-bottomed")


def arch(triangles: int, body: Body) -> bytes:
    return writers.write_stl(make_arch(ArchForm.invent("upper", 1), body=body, target_triangles=triangles))


def whole(data: bytes) -> Any:
    return check_design(read_mesh(data), CheckRequest(), SHIPPED)


@pytest.mark.parametrize("body", BODIES)
def test_the_whole_check_against_reading_with_trimesh(body: Body) -> None:
    warm_up()
    data = arch(201_000, body)
    whole(data)
    reading = seconds(lambda: trimesh.load_mesh(io.BytesIO(data), file_type="stl"), 5)
    checking = seconds(lambda: whole(data), 5)
    print(f"\nwhole check, {body}: {checking / reading:.1f} times trimesh's reading ({checking:.2f} s)")
    assert checking / reading <= MOST_TIMES_READING


@pytest.mark.parametrize("body", BODIES)
def test_it_grows_no_faster_than_n_log_n(body: Body) -> None:
    warm_up()
    sizes = (50_000, 200_000, 1_000_000)
    times = []
    for size in sizes:
        data = arch(size, body)
        whole(data)
        times.append(seconds(lambda data=data: whole(data), 3))  # type: ignore[misc]
    print(
        f"\n{body} " + ", ".join(f"{size:,}: {each:.2f} s" for size, each in zip(sizes, times, strict=True))
    )
    expected = sizes[-1] * math.log(sizes[-1]) / (sizes[0] * math.log(sizes[0]))
    assert times[-1] / times[0] <= GROWTH_SLACK * expected


_MEASURE = """
import sys
from pathlib import Path
from qa.geometry.check import CheckRequest, check_design
from qa.geometry.limits import SHIPPED
from qa.geometry.reading import read_mesh
from qa.geometry.warm import warm_up

def status(key):
    for line in open("/proc/self/status"):
        if line.startswith(key):
            return int(line.split()[1]) * 1024

warm_up()
source = Path(sys.argv[1])
open("/proc/self/clear_refs", "w").write("5")
before = status("VmRSS")
read = read_mesh(source)
check_design(read, CheckRequest(), SHIPPED)
arrays = read.mesh.vertices.nbytes + read.mesh.faces.nbytes
print((status("VmHWM") - before) / arrays)
"""


@pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="peak memory is read from /proc")
@pytest.mark.parametrize("body", BODIES)
def test_memory_above_the_process_own(tmp_path: Path, body: Body) -> None:
    path = tmp_path / "arch.stl"
    path.write_bytes(arch(201_000, body))
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE, str(path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
        env=os.environ,
    )
    times = float(done.stdout)
    print(f"\npeak memory of reading and checking, {body}: {times:.1f} times the mesh's arrays")
    assert times <= MOST_TIMES_ARRAYS
