"""What every group of a check works on: the part as it will be printed, and what is shared about it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from qa.geometry.errors import GeometryError
from qa.geometry.inner_skin import InnerSkin, find_inner_skin
from qa.geometry.lattice import Lattice, choose_step, make_lattice
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.nesting import Nesting, nest
from qa.geometry.reading import ReadMesh
from qa.geometry.standing import Stand, best_stand, turn_between
from qa.geometry.topology import Topology, area_vectors, body_sums, connect
from qa.geometry.tree import TriangleTree, build
from qa.geometry.union import sampled_union

Role = Literal["design", "prepared", "patient-scan"]
Vat = Literal["bottom-up", "top-down", "none"]
ROLES: tuple[Role, ...] = ("design", "prepared", "patient-scan")
VATS: tuple[Vat, ...] = ("bottom-up", "top-down", "none")
LAYER_MM_RANGE = (0.005, 1.0)
_COARSE_STEP_MM = 0.5
_COARSE_POINTS = 2_500_000
LINES_ACROSS_RANGE = (16, 4096)


@dataclass(frozen=True)
class Platform:
    """A printer's build volume in mm: width, depth and height it can use."""

    name: str
    x_mm: float
    y_mm: float
    z_mm: float


@dataclass(frozen=True)
class Sheet:
    """A forming sheet: what it is made of and its thickness before forming."""

    material: str
    thickness_mm: float


@dataclass(frozen=True)
class CheckRequest:
    """What a mesh is checked as.

    ``up`` is the direction, in the file's frame, that points away from the platform; ``insertion`` the
    direction an appliance comes off, if it is not the forming axis. ``consumption_factor`` is resin used
    per resin in the part (washing loss, supports), from the lab's material. ``formed`` is false for what is
    printed to be used itself: no sheet goes over it. ``lines_across`` is how many plumb lines look along
    the part for undercuts; fewer are faster and coarser.
    """

    role: Role = "design"
    layer_mm: float = 0.05
    up: tuple[float, float, float] = (0.0, 0.0, 1.0)
    vat: Vat = "bottom-up"
    sheet: Sheet | None = None
    insertion: tuple[float, float, float] | None = None
    platforms: tuple[Platform, ...] = ()
    consumption_factor: float = 1.0
    formed: bool = True
    lines_across: int = 640

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise GeometryError("role", f"'{self.role}' is no role; use one of {', '.join(ROLES)}.")
        if self.vat not in VATS:
            raise GeometryError("vat", f"'{self.vat}' is no kind of vat; use one of {', '.join(VATS)}.")
        low, high = LAYER_MM_RANGE
        if not low <= self.layer_mm <= high:
            raise GeometryError(
                "layer", f"A layer of {self.layer_mm:g} mm is outside {low:g} to {high:g} mm."
            )
        for vector, name in ((self.up, "up"), (self.insertion, "insertion")):
            if vector is not None:
                _unit(vector, name)
        if not 0 < self.consumption_factor < 100:
            raise GeometryError("consumption", "The consumption factor must be a positive number.")
        low, high = LINES_ACROSS_RANGE
        if not low <= self.lines_across <= high:
            raise GeometryError("lines", f"{self.lines_across} lines across are outside {low} to {high}.")


def _unit(vector: tuple[float, float, float], name: str) -> FloatArray:
    array = np.asarray(vector, dtype=np.float64)
    if array.shape != (3,) or not np.isfinite(array).all() or not np.linalg.norm(array) > 0:
        raise GeometryError("direction", f"The direction '{name}' needs three numbers that are not all zero.")
    unit: FloatArray = array / np.linalg.norm(array)
    return unit


@dataclass(frozen=True, eq=False)
class Subject:
    """A mesh in its build pose with its connections.

    ``mesh`` stands on z = 0, centred in x and y; a point p of it lies at ``rotation.T @ (p + shift)`` in
    the file's frame. ``vectors`` (m x 3) are area vectors per face in mm2; ``volumes`` (mm3, signed) and
    ``areas`` (mm2) are per body.
    """

    read: ReadMesh
    request: CheckRequest
    mesh: Mesh
    rotation: FloatArray
    shift: FloatArray
    topology: Topology
    vectors: FloatArray
    volumes: FloatArray
    areas: FloatArray
    nesting: Nesting

    @property
    def height_mm(self) -> float:
        """From the platform to the highest vertex."""
        return float(self.mesh.vertices[:, 2].max())

    @property
    def coarse(self) -> bool:
        """Whether stored coordinates are too wide apart for what the checks look for."""
        return self.read.coarse

    @cached_property
    def stand(self) -> Stand | None:
        """The best face to stand on, which is also the forming base; ``None`` when no flat face bears it."""
        return best_stand(self.mesh, self.vectors)

    @cached_property
    def union(self) -> tuple[float | None, float | None]:
        """Material counted once where bodies overlap, in mm3, and the spacing (mm) of the lines it was
        sampled along: none where it is exact; neither for an open surface."""
        if not self.topology.closed or self.coarse:
            return None, None
        volume = float(self.volumes.sum())
        expected = np.where(self.nesting.depth % 2 == 0, 1.0, -1.0)
        if self.topology.bodies == 1:
            return abs(volume), None
        if bool((np.sign(self.volumes) == expected).all()) and not bodies_may_overlap(self):
            return volume, None
        return sampled_union(self.mesh)

    @cached_property
    def tree(self) -> TriangleTree:
        """The tree of all faces, built when a group first asks for it."""
        return build(self.mesh)

    def forget_tree(self) -> None:
        """Give back the tree's memory, four times the mesh's own; who asks for it next has it built anew."""
        self.__dict__.pop("tree", None)

    @cached_property
    def lattice(self) -> Lattice:
        """Empty and solid space on a lattice of 0.5 mm, coarser for large parts; for closed meshes."""
        step = choose_step(self.mesh.vertices, _COARSE_STEP_MM, _COARSE_POINTS)
        return make_lattice(self.mesh, self.topology.body, step)

    @cached_property
    def inner_skin(self) -> InnerSkin:
        """Which faces line a void; for closed meshes."""
        sealed = (self.nesting.depth % 2 == 1) & (self.volumes < 0.0)
        return find_inner_skin(self.lattice, self.topology.body, self.vectors, sealed, lambda: self.tree)

    def in_file(self, points: FloatArray) -> FloatArray:
        """Points (n x 3) of the build pose in the file's frame, in mm."""
        moved: FloatArray = (points + self.shift) @ self.rotation
        return moved


def make_subject(read: ReadMesh, request: CheckRequest) -> Subject:
    """Put a mesh into its build pose and find its edges, bodies and their nesting."""
    rotation = turn_between(_unit(request.up, "up"), np.array([0.0, 0.0, 1.0]))
    vertices = read.mesh.vertices if np.array_equal(rotation, np.eye(3)) else read.mesh.vertices @ rotation.T
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    shift = np.array([0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1]), low[2]])
    mesh = Mesh(np.ascontiguousarray(vertices - shift), read.mesh.faces)
    topology = connect(mesh)
    middle = np.array([0.0, 0.0, 0.5 * (high[2] - low[2])])
    vectors = area_vectors(mesh.vertices, mesh.faces)
    volumes, areas = body_sums(mesh.vertices, mesh.faces, vectors, topology.body, topology.bodies, middle)
    nesting = nest(mesh, topology, volumes)
    return Subject(read, request, mesh, rotation, shift, topology, vectors, volumes, areas, nesting)


def open_bodies(topology: Topology) -> IndexArray:
    """Numbers of the bodies that have a half-edge without a twin."""
    loose = topology.twin.reshape(-1, 3).min(axis=1) < 0
    owners = topology.body[loose & (topology.body >= 0)]
    return np.unique(owners).astype(np.int32)


def bodies_may_overlap(subject: Subject) -> bool:
    """Whether boxes of bodies overlap other than by one body holding the other."""
    topology = subject.topology
    if topology.bodies < 2:
        return False
    sound = topology.body >= 0
    owner = np.repeat(topology.body[sound], 3)
    points = subject.mesh.vertices[subject.mesh.faces[sound].reshape(-1)]
    low = np.full((topology.bodies, 3), np.inf)
    high = np.full((topology.bodies, 3), -np.inf)
    np.minimum.at(low, owner, points)
    np.maximum.at(high, owner, points)
    if topology.bodies > 2000:
        return True
    under = np.all(low[:, None] < high[None], axis=2)
    meet = np.asarray(under & under.T)
    np.fill_diagonal(meet, val=False)
    nested = subject.nesting.parent
    held = np.flatnonzero(nested >= 0)
    for body in held:
        above = int(nested[body])
        while above >= 0:
            meet[body, above] = meet[above, body] = False
            above = int(nested[above])
    return bool(meet.any())
