"""Everything in a picture that could tell its scale, and the one thing that tells it best.

Sizes are decided honestly. A square or a sheet whose size nobody said gets one only when something of known size in
the same picture, a believable stated density or the ratio to a second square leaves exactly one usual size; otherwise
it is no reference, and the person is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap
from calibration.errors import ScaleError
from calibration.hands import share_out
from calibration.picture import MmPoints, PxPoints
from calibration.references import (
    Reference,
    ReferenceKind,
    ReferenceRequest,
    SearchPicture,
    card,
    density,
    mat,
    ruler,
    target,
)
from calibration.references import sheet as paper
from calibration.references import square as squares
from calibration.references.quad import SMALLEST_SIDE_PX
from calibration.references.rectangle import rough_rectangles
from calibration.references.sheet import FoundSheet
from calibration.references.square import FoundSquare
from calibration.sharpness import BLURRED_PX, edge_width_px

ADVICE = "lay a ruler, a gridded mat, a card of ID-1 size or a printed 1 in or 5 cm test square beside the pattern"

Finder = Callable[[SearchPicture, str | None], list[Reference]]
FINDERS: dict[ReferenceKind, Finder] = {"target": target.find, "mat": mat.find, "ruler": ruler.find}
_TIERS = {"target": 0, "mat": 0}
_LONE_TIER = 1
_UNSURE = 0.5
"""Finders give readings that they cannot tell apart no higher score."""
_AGREES = 0.02
_AGREES_PHOTO = 0.12
"""Tilt and lens make the scale differ by up to so much across a photo (20 degrees of tilt, measured on mats)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What was found.

    Parameters
    ----------
    chosen : Reference
        Sets the scale.
    others : tuple of Reference
        Of known size; they check the chosen one and tell of lens and tilt.
    unsized : tuple of FoundSquare
        Squares whose size is not known.
    sheets : tuple of FoundSheet
        Rectangles that may be sheets of paper, sized or not: right angles and straight edges.
    """

    chosen: Reference
    others: tuple[Reference, ...] = ()
    unsized: tuple[FoundSquare, ...] = ()
    sheets: tuple[FoundSheet, ...] = ()


def merit(reference: Reference, longest_px: float, *, photo: bool) -> float:
    """Return about the relative standard uncertainty of the scale that a reference gives to the whole picture.

    In a photo the reading is carried from the reference's size out to the picture's: errors of perspective grow with
    the square of that ratio, but at the reference itself they do not matter.
    """
    px = np.asarray(reference.points_px)
    span = max(float(np.ptp(px, axis=0).max()), 1.0)
    reading = float(np.median(reference.sigma_px)) / span
    if photo:
        reading *= max(1.0, longest_px / span) ** 2 / np.sqrt(max(1.0, len(px) / 4))
    return float(np.sqrt(reading**2 + reference.tolerance_relative**2 + reference.edges_relative**2))


def _best_first(references: Sequence[Reference], scene: SearchPicture) -> list[Reference]:
    longest = float(max(scene.picture.width_px, scene.picture.height_px))
    photo = scene.picture.by_camera or scene.picture.focal_px is not None
    return sorted(
        references, key=lambda r: (_TIERS.get(r.kind, _LONE_TIER), merit(r, longest, photo=photo) / max(r.score, 0.05))
    )


def _scale_mm_per_px(reference: Reference) -> float:
    px, mm = np.asarray(reference.points_px), np.asarray(reference.points_mm)
    return float(np.sqrt(((mm - mm.mean(axis=0)) ** 2).sum() / ((px - px.mean(axis=0)) ** 2).sum()))


def _outvoted_dropped(references: Sequence[Reference], scene: SearchPicture) -> list[Reference]:
    """Drop what stands alone against others that agree among themselves: most likely it is not what it seems.

    Where nothing agrees with anything, all stay, and their disagreement is reported.
    """
    photo = scene.picture.by_camera or scene.picture.focal_px is not None
    within = _AGREES_PHOTO if photo else _AGREES
    scales = [_scale_mm_per_px(r) for r in references]
    votes = [
        sum(
            abs(scales[i] / scales[j] - 1) < within and not _same_thing(references[i], references[j])
            for j in range(len(references))
        )
        for i in range(len(references))
    ]
    if not votes or max(votes) == 0:
        return list(references)
    return [r for r, v in zip(references, votes, strict=True) if v > 0]


def _without_same_place(references: Sequence[Reference]) -> list[Reference]:
    """Drop references that lie inside one that is seen better (a ruler's ticks seen as squares, and the like)."""
    kept: list[Reference] = []
    for reference in references:
        if reference.kind == "density" or len(reference.outline_px) == 0:
            kept.append(reference)
            continue
        middle = np.asarray(reference.outline_px).mean(axis=0)
        clash = False
        for other in kept:
            if other.kind in ("density", "sheet", "mat") or len(other.outline_px) == 0:
                continue
            low, high = np.min(other.outline_px, axis=0), np.max(other.outline_px, axis=0)
            clash |= bool(((middle > low) & (middle < high)).all()) and reference.kind != other.kind
        if not clash:
            kept.append(reference)
    return kept


def side_by_plane(square: FoundSquare, plane: PlaneMap) -> float:
    """Return the mean side of a square by a plane map, mm."""
    corners = np.asarray(plane.to_mm(square.quad.corners_px))
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())


def size_by_plane(square: FoundSquare, plane: PlaneMap, within: float = 0.008) -> str | None:
    """Return the one usual size that a square has by a plane map, None where none or several fit."""
    side = side_by_plane(square, plane)
    fits = [s for s in squares.USUAL_SIZES if abs(side / squares.side_mm(s) - 1) < within]
    return fits[0] if len(fits) == 1 else None


def sheet_size_by_plane(sheet: FoundSheet, plane: PlaneMap) -> str | None:
    """Return the one standard size that a sheet has by a plane map, None where none fits."""
    corners = np.asarray(plane.to_mm(sheet.quad.corners_px))
    lengths = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return paper.name_by_size((float(lengths[0] + lengths[2]) / 2, float(lengths[1] + lengths[3]) / 2), within=0.03)


def _refuse_unsized(found: Sequence[FoundSquare], sheets: Sequence[FoundSheet]) -> ScaleError:
    if found:
        options = " or ".join(f"--reference square={s}" for s in ("1in", "5cm"))
        usual = ", ".join(squares.USUAL_SIZES)
        return ScaleError(
            f"a printed square {found[0].side_px:.0f} px wide was found, but nothing says how large it is "
            f"(usual are {usual}): say it, like {options}",
            unsized_px=tuple(np.asarray(f.quad.corners_px) for f in found),
        )
    names = paper.names_by_proportion(sheets[0])
    if len(names) > 1:
        open_question = f"whether it is {', '.join(names[:-1])} or {names[-1]} cannot be told"
    else:
        open_question = f"nothing says that it is {names[0]}" if names else "nothing says how large it is"
    return ScaleError(
        f"a sheet of paper{f' in the proportions of {names[0]}' if len(names) == 1 else ''} was found, but "
        f"{open_question}: say it, like --reference sheet={names[0] if names else 'A4'}, or {ADVICE}"
    )


def _named(
    scene: SearchPicture,
    request: ReferenceRequest,
    found: Sequence[FoundSquare],
    sheets: Sequence[FoundSheet],
    cards: Sequence[Reference],
    square_px: PxPoints | None,
) -> list[Reference]:
    size = request.size or None
    if request.kind == "square":
        named = squares.sized(scene, found, size)
        if square_px is not None:
            middle = np.mean(square_px, axis=0)
            side = float(np.ptp(square_px, axis=0).max())
            # Of two with one middle the one that is as large.
            named.sort(key=lambda r: _apart(np.asarray(r.points_px), middle, side))
        if not named and found and size is None:
            raise _refuse_unsized(found, ())
    elif request.kind == "sheet":
        named = (
            paper.sized_by_name(sheets, size)
            if size is not None
            else [r for s in sheets if (r := paper.sized_by_density(scene, s)) is not None]
        )
        if not named and sheets and size is None:
            raise _refuse_unsized((), sheets)
    elif request.kind == "card":
        named = list(cards)
    elif request.kind == "density":
        named = density.find(scene, size)
    else:
        named = FINDERS[request.kind](scene, size)
    if named:
        return named
    what = f"{request.size} {request.kind}".strip()
    if request.kind == "density":
        raise ScaleError(f"the file states no density to believe; say it, like --reference dpi=300, or {ADVICE}")
    raise ScaleError(
        f"{_blurred(scene)}no {what} was found in the picture; it must be there whole, sharp and at least "
        f"{SMALLEST_SIDE_PX:.0f} px wide: take the picture nearer, or {ADVICE}"
    )


def _apart(corners_px: NDArray[np.float64], middle_px: NDArray[np.float64], side_px: float) -> float:
    """How far a square is off a place and a size, px."""
    off = float(np.hypot(*(corners_px.mean(axis=0) - middle_px)))
    return off + abs(float(np.ptp(corners_px, axis=0).max()) - side_px)


def _large(found: Sequence[FoundSquare]) -> list[FoundSquare]:
    return [s for s in found if s.side_px >= SMALLEST_SIDE_PX]


def _blurred(scene: SearchPicture) -> str:
    """Say first that a picture is blurred, where that is why nothing was found."""
    width = edge_width_px(scene)
    if width < BLURRED_PX:
        return ""
    return f"the picture is too blurred to measure in (its sharpest edges are {width:.0f} px wide), and "


def _too_small(found: Sequence[FoundSquare]) -> ScaleError:
    return ScaleError(
        f"the printed square is {found[0].side_px:.0f} px wide, at least {SMALLEST_SIDE_PX:.0f} px are needed "
        "to measure it: scan at a higher density or take the picture nearer"
    )


def rivals(reference: Reference, known: Sequence[Reference]) -> list[Reference]:
    """Return other readings of the same thing, of another size, where its finder was not sure of its own."""
    if reference.score > _UNSURE or reference.kind == "density":
        return []
    return [r for r in known if r.size != reference.size and _same_thing(r, reference)]


def _refuse_unsure(reference: Reference, others: Sequence[Reference]) -> ScaleError:
    sizes = list(dict.fromkeys([reference.size, *(r.size for r in others)]))
    # Squared paper is a grid too.
    name = "grid" if reference.kind == "mat" else reference.kind
    return ScaleError(
        f"a {name} was found, but it may be {' or '.join(sizes)}: say which, "
        f"like --reference {reference.kind}={sizes[0]}"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _FlatThings:
    """Targets, printed squares, sheets of paper and cards."""

    targets: list[Reference]
    squares: list[FoundSquare]
    sheets: tuple[FoundSheet, ...]
    cards: list[Reference]


def _flat_things(scene: SearchPicture, targets: list[Reference]) -> _FlatThings:
    # A target is known by its markers beyond doubt, and is full of squares that are none.
    boards = [r.outline_px for r in targets]
    sheets, cards = _sheets_and_cards(scene, boards)
    return _FlatThings(targets=targets, squares=squares.find_squares(scene, boards), sheets=sheets, cards=cards)


def _sheets_and_cards(
    scene: SearchPicture, boards: Sequence[PxPoints]
) -> tuple[tuple[FoundSheet, ...], list[Reference]]:
    rectangles = rough_rectangles(scene, boards)
    return tuple(paper.find_sheets(scene, rectangles)), card.among(scene, rectangles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What was found in a picture before anything is chosen.

    ``found`` holds what each finder found of kinds that were not named; ``is_grid`` tells whether a grid of light lines
    is there that may be a mat's, whatever its pitch, and ``is_mats`` whether the grid that was found is a mat's.
    """

    scene: SearchPicture
    flat: _FlatThings
    found: Mapping[ReferenceKind, list[Reference]]
    is_grid: bool
    is_mats: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """What one look round found."""

    kind: ReferenceKind | None = None
    references: list[Reference] = field(default_factory=list)
    is_grid: bool = False
    is_mats: bool = False
    squares: list[FoundSquare] = field(default_factory=list)
    sheets: tuple[FoundSheet, ...] = ()


def _mats(scene: SearchPicture) -> _Part:
    found, is_grid, is_mats = mat.look(scene)
    return _Part(kind="mat", references=found, is_grid=is_grid, is_mats=is_mats)


def _rulers(scene: SearchPicture) -> _Part:
    return _Part(kind="ruler", references=FINDERS["ruler"](scene, None))


def _targets(scene: SearchPicture) -> _Part:
    return _Part(kind="target", references=target.find(scene, None))


def _squares(scene: SearchPicture) -> _Part:
    return _Part(squares=squares.find_squares(scene))


def _rectangles(scene: SearchPicture) -> _Part:
    sheets, cards = _sheets_and_cards(scene, ())
    return _Part(kind="card", references=cards, sheets=sheets)


def look_around(scene: SearchPicture, named: ReferenceKind | None) -> Looked:
    """Find everything in a picture but what is ``named``, which is looked for by its size."""
    # What all of them look at is made before they start.
    _ = scene.grey, scene.reduced
    # They share nothing but the picture, so two processes serve them side by side; what takes longest comes first.
    looks = [look for kind, look in (("ruler", _rulers), ("mat", _mats)) if kind != named]
    parts = list(share_out(lambda look: look(scene), [*looks, _rectangles, _squares, _targets]))
    *other, rectangles, found_squares, targets = parts
    if targets.references:
        # Seldom enough that everybody else need not wait for it.
        flat = _flat_things(scene, targets.references)
    else:
        flat = _FlatThings(
            targets=[], squares=found_squares.squares, sheets=rectangles.sheets, cards=rectangles.references
        )
    return Looked(
        scene=scene,
        flat=flat,
        found={part.kind: part.references for part in other if part.kind is not None},
        is_grid=any(part.is_grid for part in other),
        is_mats=any(part.is_mats for part in other),
    )


def gather(looked: Looked, request: ReferenceRequest | None, square_px: PxPoints | None = None) -> Evidence:
    """Choose from everything that was found; what is named is looked for by its size, a square where it is.

    Raises
    ------
    ScaleError
        When nothing of known size is there; the message says what to do.
    """
    scene, flat = looked.scene, looked.flat
    all_squares, sheets, cards = flat.squares, flat.sheets, flat.cards
    boards = [r.outline_px for r in flat.targets]

    def crossed() -> list[FoundSquare]:
        return _large(squares.find_crossed_squares(scene, all_squares, boards))

    if request is not None and request.kind == "square":
        all_squares = [*all_squares, *squares.find_crossed_squares(scene, all_squares, boards)]
    found = _large(all_squares)
    known = [*flat.targets, *cards]
    for kind, references in looked.found.items():
        if request is None or request.kind != kind:
            known += references
    sized = squares.sized(scene, found, None)
    known += sized
    known += [r for s in sheets if (r := paper.sized_by_density(scene, s)) is not None]
    known += density.find(scene, None)
    if not cards and (request.kind == "card" if request is not None else all(r.doubt for r in known)):
        # Before it is given up: a card that hardly stands out from its paper.
        cards = card.among(scene, rough_rectangles(scene, boards, faint=True))
        known += cards
    if request is not None:
        if request.kind == "square" and not found and all_squares:
            raise _too_small(all_squares)
        named = _named(scene, request, found, sheets, cards, square_px)
        chosen = named[0]
        if not request.size and rivals(chosen, named):
            raise _refuse_unsure(chosen, rivals(chosen, named))
        known = _without_refuted_pair(known, sized, chosen)
    else:
        sure = [r for r in known if not r.doubt and not rivals(r, known)]
        ordered = _best_first(_outvoted_dropped(sure, scene), scene)
        if not ordered:
            unsure = next((r for r in known if not r.doubt), None)
            if unsure is not None:
                raise _refuse_unsure(unsure, rivals(unsure, known))
            if looked.is_grid:
                raise ScaleError(
                    "a grid was found, but nothing in the picture tells its pitch: if it is that of a cutting mat, "
                    f"say it, like --reference mat=1in or --reference mat=10mm, or {ADVICE}"
                )
            # A square that lines run across may be asked about, but sets no scale that nobody said.
            found = found or crossed()
            if known and not found:
                raise ScaleError(f"{known[0].doubt}, or {ADVICE}")
            if found or sheets:
                raise _refuse_unsized(found, sheets)
            if all_squares:
                raise _too_small(all_squares)
            raise ScaleError(
                f"{_blurred(scene)}nothing of known size was found in the picture whole and at least "
                f"{SMALLEST_SIDE_PX:.0f} px wide; next time {ADVICE}"
            )
        chosen = ordered[0]
        if chosen.kind == "density":
            # What else is there may contradict it.
            found = found or crossed()
    rest = [r for r in _best_first(known, scene) if not _same_thing(r, chosen)]
    others = [r for r in _without_same_place([chosen, *rest]) if r is not chosen]
    taken = [chosen, *others]
    unsized = tuple(s for s in found if not any(r.kind == "square" and _is_square(r, s) for r in taken))
    return Evidence(chosen=chosen, others=tuple(others), unsized=unsized, sheets=sheets)


def _without_refuted_pair(known: list[Reference], sized: list[Reference], chosen: Reference) -> list[Reference]:
    """Leave out squares whose sizes only followed from each other when one of them is of another size by word."""
    for square in sized:
        if chosen.kind == "square" and _same_thing(square, chosen):
            ratio = squares.side_mm(square.size) / squares.side_mm(chosen.size)
            if abs(ratio - 1.0) > _AGREES:
                return [r for r in known if not any(r is s for s in sized)]
    return known


def _is_square(reference: Reference, square: FoundSquare) -> bool:
    return bool(np.abs(np.asarray(reference.points_px) - square.quad.corners_px).max() < 1.0)


def _same_thing(a: Reference, b: Reference) -> bool:
    if a is b or (a.kind == b.kind == "density"):
        return True
    if a.kind != b.kind or len(a.outline_px) == 0 or len(b.outline_px) == 0:
        return False
    gap = np.asarray(a.outline_px).mean(axis=0) - np.asarray(b.outline_px).mean(axis=0)
    return bool(np.hypot(*gap) < 0.1 * float(np.ptp(b.outline_px, axis=0).max()))


def completed(evidence: Evidence, plane: PlaneMap) -> Evidence:
    """Give squares and sheets the sizes that they have by the chosen reference's plane map, where exactly one fits."""
    others: list[Reference] = []
    for other in evidence.others:
        # Of several readings of one thing the one that agrees stays, and so does what may be no reference; where a kind
        # is named all its things are taken for such.
        named = other.kind == evidence.chosen.kind and evidence.chosen.doubt
        doubtful = bool((other.doubt and not named) or rivals(other, evidence.others))
        if not doubtful or abs(size_ratio(plane, other) - 1.0) < _AGREES:
            others.append(other)
    unsized = []
    for square in evidence.unsized:
        size = size_by_plane(square, plane)
        if size is None:
            unsized.append(square)
        else:
            others.append(squares.as_reference(square, size))
    for sheet in evidence.sheets:
        known = [r for r in (evidence.chosen, *others) if r.kind == "sheet"]
        if any(np.abs(np.asarray(r.points_px) - sheet.quad.corners_px).max() < 2.0 for r in known):
            continue
        size = sheet_size_by_plane(sheet, plane)
        if size is not None:
            others.append(paper.as_reference(sheet, size))
    return replace(evidence, others=tuple(others), unsized=tuple(unsized))


def mat_decided_by(evidence: Evidence, plane: PlaneMap) -> Reference | None:
    """Return the one reading of a mat whose pitch was open that agrees with the scale of what was chosen.

    Then the mat is the better reference: it lies under the whole pattern, and what is carried from a ruler at one side
    of it grows on the way.
    """
    mats = [r for r in evidence.others if r.kind == "mat" and rivals(r, evidence.others)]
    agreeing = [r for r in mats if abs(size_ratio(plane, r) - 1.0) < _AGREES_PHOTO]
    return agreeing[0] if len(agreeing) == 1 and evidence.chosen.kind not in _TIERS else None


def with_mat(evidence: Evidence, reading: Reference) -> Evidence:
    """Return evidence in which a reading of a mat sets the scale, and what was chosen checks it."""
    others = [r for r in evidence.others if r.kind != "mat" or not _same_thing(r, reading)]
    return replace(evidence, chosen=reading, others=(evidence.chosen, *others))


def bears_out(plane: PlaneMap, reference: Reference) -> bool:
    """Whether a reference has about its size by a map that was made without it."""
    return abs(size_ratio(plane, reference) - 1.0) < _AGREES


def size_ratio(plane: PlaneMap, reference: Reference) -> float:
    """How large a reference is by a map, over what it should be (root mean square distance from its middle)."""
    seen, true = np.asarray(plane.to_mm(reference.points_px)), np.asarray(reference.points_mm)
    seen, true = seen - seen.mean(axis=0), true - true.mean(axis=0)
    return float(np.sqrt((seen**2).sum() / (true**2).sum()))


def unsized_reference(square: FoundSquare, plane: PlaneMap) -> Reference:
    """Keep a square of no usual size as a mark: it is no piece, and no reference either (its size is empty)."""
    return replace(
        squares.as_reference(square, f"{side_by_plane(square, plane):.6f}mm"),
        size="",
        points_mm=MmPoints(np.asarray(plane.to_mm(PxPoints(np.asarray(square.quad.corners_px))))),
        tolerance_relative=1.0,
    )
