"""Meshes are read by content, whole, in millimetres, with equal corners merged."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh

from fixtures.meshes import writers
from fixtures.meshes.solids import box, subdivided, torus
from qa.geometry.mesh import Mesh
from qa.geometry.reading import ReadMesh, read_mesh

BOX = subdivided(subdivided(box(20.0, 15.0, 10.0).mesh))


def library_bytes(mesh: Mesh, **how: str) -> bytes:
    """The mesh in a reference library's own spelling of a format."""
    text = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).export(**how)
    return text.encode() if isinstance(text, str) else bytes(text)


def signed_volume(read: ReadMesh) -> float:
    corners = read.mesh.corners()
    return float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))) / 6.0


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ({"file_type": "stl"}, "stl-binary"),
        ({"file_type": "stl_ascii"}, "stl-ascii"),
        ({"file_type": "ply"}, "ply"),
        ({"file_type": "ply", "encoding": "ascii"}, "ply"),
        ({"file_type": "obj"}, "obj"),
        ({"file_type": "3mf"}, "3mf"),
    ],
)
def test_each_format_gives_the_same_solid(how: dict[str, str], expected: str) -> None:
    read = read_mesh(library_bytes(BOX, **how))
    assert read.format == expected
    assert read.triangles == len(BOX.faces)
    assert len(read.mesh.vertices) == len(BOX.vertices)
    assert signed_volume(read) == pytest.approx(3000.0, rel=1e-6)
    assert read.mesh.vertices.dtype == np.float64
    assert read.mesh.faces.dtype == np.int32


def test_own_writers_are_read_back() -> None:
    mesh = torus(10.0, 3.0, 24, 12).mesh
    for data in (writers.write_stl(mesh), writers.write_ply(mesh), writers.write_obj(mesh)):
        read = read_mesh(data)
        assert read.triangles == len(mesh.faces)
        assert len(read.mesh.vertices) == len(mesh.vertices)


def test_the_name_of_the_file_does_not_matter(tmp_path: Path) -> None:
    wrong = tmp_path / "model.obj"
    wrong.write_bytes(writers.write_stl(BOX))
    assert read_mesh(wrong).format == "stl-binary"


def test_the_digest_is_that_of_the_bytes() -> None:
    data = writers.write_stl(BOX)
    assert read_mesh(data).digest == hashlib.sha256(data).hexdigest()
    large = writers.write_stl(torus(20.0, 8.0, 200, 100).mesh)
    assert read_mesh(large).digest == hashlib.sha256(large).hexdigest()


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("inch", 25.4)])
def test_the_unit_is_applied(unit: str, factor: float) -> None:
    read = read_mesh(writers.write_stl(BOX), unit=unit)
    assert np.ptp(read.mesh.vertices, axis=0) == pytest.approx([20 * factor, 15 * factor, 10 * factor])


def test_a_header_that_says_solid_may_still_be_binary() -> None:
    data = writers.write_stl(BOX, header="solid but binary")
    assert read_mesh(data).format == "stl-binary"


def test_stray_bytes_at_the_end_are_passed_over() -> None:
    assert read_mesh(writers.write_stl(BOX) + b"\x00stray").triangles == len(BOX.faces)


def test_negative_zero_is_zero() -> None:
    corners = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]], [[-0.0, 0, -0.0], [0, 1, 0], [0, 0, 1]]], "<f4")
    records = b"".join(bytes(12) + each.tobytes() + b"\0\0" for each in corners)
    read = read_mesh(bytes(80) + struct.pack("<I", 2) + records)
    assert len(read.mesh.vertices) == 4


def test_obj_quads_negative_indices_groups_and_line_ends() -> None:
    points = "\r\n".join(f"v {x} {y} {z} 0.5 0.5 0.5" for x in (0, 1) for y in (0, 1) for z in (0, 1))
    quads = "g side\r\ns 1\r\nf -8//1 -7//1 -5//1 -6//1\r\nf 5/1/1 7/1/1 8/1/1 6/1/1\r\n"
    rest = "usemtl none\r\nf 1 5 6 2\r\nf 3 4 8 7\r\nf 1 3 7 5\r\nf 2 6 8 \\\r\n 4\r\n"
    read = read_mesh(f"# remark\r\n{points}\r\nvn 0 0 1\r\n{quads}{rest}".encode())
    assert read.triangles == 12
    assert len(read.mesh.vertices) == 8
    assert signed_volume(read) == pytest.approx(1.0)


def test_a_quad_with_a_dent_is_split_over_the_dent() -> None:
    data = b"v 0 0 0\nv 4 0 0\nv 1 1 0\nv 0 4 0\nf 1 2 3 4\n"
    corners = read_mesh(data).mesh.corners()
    heights = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]
    assert (heights > 0).all()


@pytest.mark.parametrize("order", ["<", ">"])
def test_ply_of_either_byte_order_with_extra_properties(order: str) -> None:
    name = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    head = (
        f"ply\nformat {name} 1.0\ncomment x\nelement vertex 4\nproperty uchar quality\nproperty double x\n"
        "property double y\nproperty double z\nelement patch 1\nproperty list uchar short ids\n"
        "element face 2\nproperty float weight\nproperty list uchar uint vertex_index\n"
        "property list int float texcoord\nend_header\n"
    )
    corners = [(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1)]
    body = b"".join(struct.pack(order + "B3d", 7, *corner) for corner in corners)
    body += struct.pack(order + "B3h", 3, 5, 6, 7)
    for face in ((0, 2, 1, 3), (0, 1, 3)):
        count = len(face)
        body += struct.pack(order + "fB", 0.5, count) + struct.pack(order + f"{count}I", *face)
        body += struct.pack(order + "i2f", 2, 0.25, 0.75)
    read = read_mesh(head.encode() + body)
    assert read.triangles == 3
    assert len(read.mesh.vertices) == 4


def test_points_that_no_face_uses_are_dropped() -> None:
    read = read_mesh(b"v 900 900 900\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 2 3 4\n")
    assert read.mesh.vertices.max() == 1.0


@pytest.mark.parametrize(
    "word", ["1", "-0.5", "+2.25", "1e-3", "6.02E+2", ".5", "3.", "12345678.125", "1e-30"]
)
def test_numbers_in_text_are_the_nearest_double(word: str) -> None:
    read = read_mesh(f"v {word} 0 0\nv 0 1 0\nv 0 0 1\nf 1 2 3\n".encode())
    assert float(word) in read.mesh.vertices[:, 0]


def test_storage_too_coarse_for_layers_is_flagged() -> None:
    near = read_mesh(writers.write_stl(BOX))
    far = read_mesh(writers.write_stl(Mesh(BOX.vertices + 4.1e6, BOX.faces)))
    assert not near.coarse
    assert far.coarse
    assert far.resolution_mm == 0.25


def test_double_precision_far_away_is_not_coarse() -> None:
    read = read_mesh(writers.write_ply(Mesh(BOX.vertices + 4.1e6, BOX.faces)))
    assert not read.coarse


def test_round_numbers_in_text_are_not_taken_for_coarse_storage() -> None:
    assert not read_mesh(writers.write_obj(box(100.0, 50.0, 20.0).mesh)).coarse
    ascii_ply = library_bytes(box(100.0, 50.0, 20.0).mesh, file_type="ply", encoding="ascii")
    assert not read_mesh(ascii_ply).coarse
