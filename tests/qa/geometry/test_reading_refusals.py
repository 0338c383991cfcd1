"""What is no mesh, or no sound one, is refused with a code and a sentence, before memory is taken."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.meshes import writers
from fixtures.meshes.solids import box
from qa.geometry.errors import GeometryError
from qa.geometry.reading import read_mesh

STL = writers.write_stl(box().mesh)
OBJ = writers.write_obj(box().mesh)
PLY = writers.write_ply(box().mesh)
ASCII = (
    b"solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\n"
    b"endsolid a\n"
)


def refusal(data: bytes | Path, **options: int) -> GeometryError:
    with pytest.raises(GeometryError) as caught:
        read_mesh(data, **options)  # type: ignore[arg-type]
    assert caught.value.sentence.endswith(".")
    assert "Traceback" not in caught.value.sentence
    return caught.value


def counted(count: int) -> bytes:
    return STL[:80] + struct.pack("<I", count) + STL[84:]


def with_coordinate(value: float) -> bytes:
    return STL[: 84 + 12] + struct.pack("<f", value) + STL[84 + 16 :]


def test_an_empty_file() -> None:
    assert refusal(b"").code == "empty"


def test_a_truncated_stl_says_how_many_are_stated_and_present() -> None:
    error = refusal(STL[: 84 + 7 * 50 + 20])
    assert error.code == "truncated"
    assert "12 triangles" in error.sentence
    assert "7" in error.sentence


def test_a_file_cut_inside_its_header() -> None:
    assert refusal(bytes(40)).code == "truncated"


@pytest.mark.parametrize("size", [60, 84, 100, 134, 84 + 7 * 50 + 20, len(STL) - 1])
def test_a_binary_stl_whose_header_begins_like_a_text_is_cut_off_not_unknown(size: int) -> None:
    solid = b"solid model of an invented patient".ljust(80) + STL[80:]
    assert read_mesh(solid).format == "stl-binary"
    assert refusal(solid[:size]).code == "truncated"


def test_a_cut_off_stl_is_known_by_normals_along_its_facets_whatever_their_length() -> None:
    records = np.frombuffer(STL[84:], np.uint8).reshape(-1, 50).copy()
    normals = np.ascontiguousarray(records[:, :12]).view("<f4")
    records[:, :12] = (normals * np.float32(0.07)).view(np.uint8)
    scaled = STL[:84] + records.tobytes()
    assert read_mesh(scaled).triangles == 12
    assert refusal(scaled[:-20]).code == "truncated"


def test_a_damaged_text_is_no_binary_file() -> None:
    assert refusal(ASCII[:100] + b"\0" + ASCII[100:]).code == "not_a_mesh"


def test_a_count_that_promises_more_takes_no_memory() -> None:
    assert refusal(counted(4_000_000_000)).code == "truncated"


def test_a_count_that_promises_less() -> None:
    assert refusal(counted(5)).code == "count"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_coordinates_that_are_not_finite(value: float) -> None:
    error = refusal(with_coordinate(value))
    assert error.code == "not_finite"
    assert "Triangle 1 " in error.sentence


def test_a_coordinate_of_a_billion_units() -> None:
    assert refusal(with_coordinate(1e9)).code == "absurd"


def test_no_triangles() -> None:
    assert refusal(bytes(80) + bytes(4)).code == "no_triangles"
    assert refusal(b"solid empty\nendsolid empty\n").code == "no_triangles"
    assert refusal(b"# points only\nv 0 0 0\nv 1 0 0\nv 0 1 0\n").code == "no_triangles"


def test_triangles_without_area() -> None:
    line = np.zeros((3, 3, 3), "<f4")
    line[:, 1, 0], line[:, 2, 0] = 1.0, 2.0
    records = b"".join(bytes(12) + each.tobytes() + b"\0\0" for each in line)
    assert refusal(bytes(80) + struct.pack("<I", 3) + records).code == "no_area"


def test_too_many_triangles() -> None:
    assert refusal(STL, max_triangles=11).code == "too_many_triangles"
    assert refusal(OBJ, max_triangles=11).code == "too_many_triangles"
    assert refusal(PLY, max_triangles=11).code == "too_many_triangles"
    assert refusal(ASCII * 3, max_triangles=2).code == "too_many_triangles"
    assert read_mesh(STL, max_triangles=12).triangles == 12


def test_five_million_and_one_is_refused_before_reading() -> None:
    data = bytes(80) + struct.pack("<I", 5_000_001) + bytes(5_000_001 * 50)
    assert refusal(data).code == "too_many_triangles"


def test_too_many_bytes(tmp_path: Path) -> None:
    assert refusal(STL, max_bytes=100).code == "too_large"
    huge = tmp_path / "huge.stl"
    with huge.open("wb") as sparse:
        sparse.truncate(2**40)  # far more than any memory: refused by its size alone
    assert refusal(huge).code == "too_large"


@pytest.mark.parametrize(
    "data",
    [
        b"Dear lab, please find the scan attached.\n" * 40,
        b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8,
        b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8,
        b"%PDF-1.7\n" + b"text " * 100,
        b"\x1f\x8b" + bytes(range(256)) * 8,
        bytes(range(256)) * 40,
        b'{"a": 1}' * 50,
        b"<html><body>404</body></html>" * 10,
    ],
)
def test_other_files_renamed(data: bytes) -> None:
    assert refusal(data).code == "not_a_mesh"


def test_a_file_that_cannot_be_opened(tmp_path: Path) -> None:
    assert refusal(tmp_path / "gone.stl").code == "unreadable"


def test_an_unknown_unit() -> None:
    with pytest.raises(GeometryError, match="parsec"):
        read_mesh(STL, unit="parsec")


def test_text_stl_cut_off() -> None:
    assert refusal(ASCII[: ASCII.index(b"endloop")]).code == "truncated"
    assert refusal(ASCII.replace(b"endsolid a\n", b"")).code == "truncated"


def test_text_stl_with_words_for_numbers() -> None:
    error = refusal(ASCII.replace(b"1 0 0", b"one 0 0"))
    assert error.code == "syntax"
    assert "Line 5" in error.sentence
    assert refusal(ASCII.replace(b"1 0 0", b"nan 0 0")).code == "not_finite"
    assert refusal(ASCII.replace(b"1 0 0", b"1.#QNAN 0 0")).code == "not_finite"
    assert refusal(ASCII.replace(b"vertex 0 1 0\n", b"")).code == "syntax"


def test_obj_with_an_index_that_is_not_there() -> None:
    assert refusal(b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n").code == "index"
    assert refusal(b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 0\nf -9 1 2\n").code == "index"
    assert refusal(b"v 0 0 0\nv 1 x 0\nv 0 1 0\nf 1 2 3\n").code == "syntax"


def test_ply_that_lies_or_ends_early() -> None:
    assert refusal(PLY[:-30]).code == "truncated"
    assert refusal(PLY.replace(b"element vertex 8", b"element vertex 4000000000")).code == "truncated"
    assert refusal(PLY.replace(b"element face 12", b"element face 4999999")).code == "truncated"
    assert refusal(b"ply\nformat ascii 1.0\nelement vertex 3\n").code == "syntax"


def package(model: str, *, more: dict[str, bytes] | None = None) -> bytes:
    relation = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
        'Target="/3D/3dmodel.model" Id="rel0" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("_rels/.rels", relation)
        archive.writestr("3D/3dmodel.model", model)
        for name, content in (more or {}).items():
            archive.writestr(name, content)
    return stream.getvalue()


MESH_3MF = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex z="0" y="1" x="0"/>'
    "<vertex x='0' y='0' z='1' /></vertices><triangles><triangle v1='0' v2='2' v3='1'/>"
    "<triangle v1='0' v2='1' v3='3' pid='1'/><triangle v1='0' v2='3' v3='2'/>"
    "<triangle v1='1' v2='2' v3='3'/></triangles></mesh>"
)


def model_3mf(body: str, *, unit: str = "inch", head: str = "") -> str:
    return f'<?xml version="1.0" encoding="UTF-8"?>{head}<model unit="{unit}">{body}</model>'


SIMPLE_3MF = f'<resources><object id="1">{MESH_3MF}</object></resources><build><item objectid="1"/></build>'


def test_3mf_honours_its_unit_and_placement() -> None:
    body = (
        f'<resources><object id="1">{MESH_3MF}</object><object id="2"><components><component objectid="1"/>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 5 0 0"/></components></object></resources>'
        '<build><item objectid="2" transform="-1 0 0 0 1 0 0 0 1 0 0 2"/></build>'
    )
    read = read_mesh(package(model_3mf(body)), unit="cm")
    assert (read.unit, read.unit_stated, read.unit_asked) == ("inch", "inch", "cm")
    assert read.triangles == 8
    low, high = read.mesh.vertices.min(axis=0), read.mesh.vertices.max(axis=0)
    assert low == pytest.approx([-6 * 25.4, 0, 2 * 25.4])
    assert high == pytest.approx([0, 25.4, 3 * 25.4])
    corners = read.mesh.corners()
    volume = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0
    assert volume == pytest.approx(2 * 25.4**3 / 6)  # a mirroring placement keeps the inside inside


def test_3mf_bombs_are_refused() -> None:
    assert refusal(package(" " * 60_000_000)).code == "archive"
    nested = "".join(
        f'<object id="{i}"><components>' + f'<component objectid="{i - 1}"/>' * 10 + "</components></object>"
        for i in range(2, 12)
    )
    body = f'<resources><object id="1">{MESH_3MF}</object>{nested}</resources>'
    body += '<build><item objectid="11"/></build>'
    assert refusal(package(model_3mf(body))).code == "archive"
    loop = '<resources><object id="1"><components><component objectid="1"/></components></object></resources>'
    assert refusal(package(model_3mf(loop + '<build><item objectid="1"/></build>'))).code == "archive"


def test_3mf_entities_are_refused() -> None:
    laughs = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'
    assert refusal(package(model_3mf(SIMPLE_3MF, head=laughs))).code == "unsafe_xml"
    outside = '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    assert refusal(package(model_3mf(SIMPLE_3MF, head=outside))).code == "unsafe_xml"


def test_3mf_damage_is_named() -> None:
    whole = package(model_3mf(SIMPLE_3MF))
    assert read_mesh(whole).triangles == 4
    assert refusal(whole[: len(whole) // 2]).code == "archive"
    assert refusal(package(model_3mf(SIMPLE_3MF.replace("v1='0'", "v1='77'")))).code == "index"
    assert refusal(package(model_3mf(SIMPLE_3MF.replace('x="1"', 'x="nan"')))).code == "not_finite"
    assert refusal(package(model_3mf(SIMPLE_3MF.replace('x="1"', 'w="1"')))).code == "syntax"
    assert refusal(package(model_3mf(SIMPLE_3MF)[:-20])).code == "syntax"
    assert refusal(package(model_3mf(SIMPLE_3MF, unit="parsec"))).code == "unit"
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("letter.txt", "no model here")
    assert refusal(stream.getvalue()).code == "archive"


@settings(max_examples=150, deadline=None)
@given(source=st.sampled_from([STL, OBJ, PLY, ASCII, package(model_3mf(SIMPLE_3MF))]), data=st.data())
def test_any_damage_is_read_or_refused_with_a_sentence(source: bytes, data: st.DataObject) -> None:
    damaged = bytearray(source)
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        damaged[at] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(damaged)))
    try:
        read = read_mesh(bytes(damaged[:cut]) if data.draw(st.booleans()) else bytes(damaged))
    except GeometryError as error:
        assert error.sentence.endswith(".")
    else:
        assert np.isfinite(read.mesh.vertices).all()
        assert 0 <= read.mesh.faces.min() <= read.mesh.faces.max() < len(read.mesh.vertices)


def test_a_package_whose_directory_points_before_its_start_is_refused() -> None:
    whole = bytearray(package(model_3mf(SIMPLE_3MF)))
    end_record = whole.rindex(b"PK\x05\x06")
    directory_offset = end_record + 16
    whole[directory_offset + 1] += 1
    assert refusal(bytes(whole)).code == "archive"
