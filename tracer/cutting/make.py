"""A cut list carried out on a pattern: trim, join, unfold, split, allowance, in this order, for every piece.

The traced pattern is not changed; every step's shapes are kept, so that each can be shown before and after, and
leaving a line out of the list and cutting again is all it takes to undo it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TypeVar

from calibration import Finding
from tracer.cutting.allowance import Allowed, allow
from tracer.cutting.arrange import arranged
from tracer.cutting.cutlist import CutList, CutPiece, JoinStep, SeamSide, SplitStep
from tracer.cutting.edges import SIDES, nearest_word, side_edge
from tracer.cutting.fold import unfold
from tracer.cutting.joining import join
from tracer.cutting.lettering import lettered, without_fold_words
from tracer.cutting.quilting import PatchFact, patch_facts
from tracer.cutting.seams import SeamCheck, check_seam
from tracer.cutting.shape import Shape, shape_of
from tracer.cutting.splitting import drawn_line, line_between, side_names, split
from tracer.cutting.trimming import trim
from tracer.cutting.uncertainty import Shares, combined_fit, combined_mm, combined_size_mm, shares_of
from tracer.cutting.words import both, size
from tracer.errors import CutListError, PathError
from tracer.pattern import Pattern
from tracer.piece import CutNote, Made, Piece

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """One step: its name, what was done in words, and the shapes before and after."""

    step: str
    words: str
    before: tuple[Shape, ...]
    after: tuple[Shape, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadePiece:
    """A cut-ready piece with how it came about.

    ``finished`` is the stitching line, ``traced`` the shape it began with, ``facts`` the sizes a quilter asks for.
    """

    piece: Piece
    traced: Shape
    finished: Shape
    stages: tuple[Stage, ...]
    facts: tuple[PatchFact, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutResult:
    """What a cut list comes to: ``pattern`` holds the pieces as cut and all findings."""

    pattern: Pattern
    made: tuple[MadePiece, ...]
    seams: tuple[SeamCheck, ...]


def find_traced(pattern: Pattern, word: str) -> Piece:
    """Return a traced piece by id or name.

    Raises
    ------
    CutListError
        When there is none, with the nearest right word, or when several have the name.
    """
    by_id = [p for p in pattern.pieces if p.id == word]
    found = by_id or [p for p in pattern.pieces if p.name == word]
    if len(found) == 1:
        return found[0]
    if found:
        raise CutListError(
            f"{len(found)} traced pieces are called '{word}'; use an id: {', '.join(p.id for p in found)}"
        )
    known = ", ".join(f"'{p.name}' ({p.id})" for p in pattern.pieces) or "none"
    near = nearest_word(word, [w for p in pattern.pieces for w in (p.name, p.id)])
    raise CutListError(f"there is no traced piece '{word}'; the pieces are {known}{near}")


class _Maker:
    """One ``[[piece]]`` being carried out."""

    def __init__(self, pattern: Pattern, cut_list: CutList, entry: CutPiece) -> None:
        self.pattern = pattern
        self.list = cut_list
        self.entry = entry
        self.traced = self.on_line(entry.line, lambda: find_traced(pattern, entry.source))
        self.name = entry.name or self.traced.name
        self.parts = [self.traced]
        self.shares: list[Shares] = [shares_of(self.traced, pattern)]
        self.findings: list[Finding] = []
        self.stages: list[Stage] = []

    def on_line(self, line: int, act: Callable[[], _T]) -> _T:
        """Do something; a failure names the line of the list."""
        try:
            return act()
        except (CutListError, PathError) as error:
            raise self.list.problem(line, error) from error

    def note_close_edges(self, shape: Shape, words: Iterable[str]) -> None:
        for word in words:
            if word.lower() not in SIDES:
                continue
            edge, rival = side_edge(shape, word.lower())
            if rival is not None:
                message = f"'{word}' was taken to be edge {edge.name}; edge {rival.name} faces {word} nearly as much"
                self.findings.append(Finding(code="edge-close", message=message, severity="note", where=self.name))

    def stage(self, step: str, words: str, before: Iterable[Shape], after: Iterable[Shape]) -> None:
        self.stages.append(Stage(step=step, words=f"{step}: {words}", before=tuple(before), after=tuple(after)))

    def make(self) -> list[MadePiece]:
        start = shape = shape_of(self.traced)
        for step in self.entry.trims:
            before = shape
            shape = self.on_line(step.line, lambda s=shape, t=step: trim(s, t.edge, t.by_mm))  # type: ignore[misc]
            self.note_close_edges(before, [step.edge])
            self.stage("trim", f"{both(step.by_mm)} taken off along the edge '{step.edge}'", [before], [shape])
        for joined in self.entry.joins:
            shape = self.joined(shape, joined)
        if self.entry.unfold is not None:
            shape = self.unfolded(shape)
        shapes, names = [shape], [self.name]
        finished = [shape]
        if self.entry.split is not None:
            finished, shapes, names = self.split(shape, self.entry.split)
        made = []
        for whole, part, name in zip(finished, shapes, names, strict=True):
            made.append(self.finish(start, whole, part, name, part_of_split=len(shapes) > 1))
            # What was found before the split is said once, with the first part.
            self.findings = []
        return made

    def joined(self, shape: Shape, step: JoinStep) -> Shape:
        other = self.on_line(step.line, lambda: find_traced(self.pattern, step.piece))
        if other.id in [p.id for p in self.parts]:
            whole = f'unfold = "{step.edge}"'
            message = f"'{step.piece}' cannot be joined to itself; to make it whole over an edge write {whole}"
            raise self.list.problem(step.line, message)
        other_shape = shape_of(other)
        result = self.on_line(
            step.line,
            lambda: join(
                shape,
                other_shape,
                edge=step.edge,
                to=step.to,
                drop_mm=step.drop_mm,
                other_name=other.name,
                match=step.match,
                mirror=step.mirror,
                where=self.name,
            ),
        )
        self.note_close_edges(shape, [step.edge])
        self.note_close_edges(other_shape, [step.to])
        self.findings += result.findings
        self.parts.append(other)
        self.shares.append(shares_of(other, self.pattern))
        dropped = f", each losing {both(step.drop_mm)}" if step.drop_mm else ""
        words = f"'{other.name}' by its edge '{step.to}' to the edge '{step.edge}'{dropped}"
        self.stage("join", words, [shape, other_shape], [result.shape])
        return result.shape

    def unfolded(self, shape: Shape) -> Shape:
        step = self.entry.unfold
        assert step is not None
        uncertainty = combined_mm([s.outline for s in self.shares])
        self.note_close_edges(shape, [step.edge])
        whole, findings = self.on_line(
            step.line,
            lambda: unfold(shape, step.edge, true=step.true, uncertainty_mm=uncertainty, where=self.name),
        )
        whole = replace(whole, marks=without_fold_words(whole.marks))
        self.findings += findings
        self.shares = self.shares * 2
        self.stage("unfold", f"mirrored over the edge '{step.edge}' and made one piece", [shape], [whole])
        return whole

    def split(self, shape: Shape, step: SplitStep) -> tuple[list[Shape], list[Shape], list[str]]:
        def act() -> tuple[list[Shape], list[Shape]]:
            cut = drawn_line(shape, step.along) if step.along else line_between(shape, step.start, step.end)
            parts = split(shape, cut, step.allowance_mm, notches=step.notches if step.allowance_mm else 0)
            return [p.finished for p in parts], [p.shape for p in parts]

        finished, shapes = self.on_line(step.line, act)
        sides = side_names(finished[0], finished[1])
        if sides[0] in ("right", "bottom"):
            finished, shapes, sides = finished[::-1], shapes[::-1], sides[::-1]
        names = list(step.names) if step.names else [f"{self.name} {side}" for side in sides]
        where = f"along '{step.along}'" if step.along else f"from {step.start} to {step.end}"
        added = f", with {both(step.allowance_mm)} on the cut" if step.allowance_mm else ""
        self.stage("split", f"{where}{added}", [shape], shapes)
        return finished, shapes, names

    def finish(self, start: Shape, whole: Shape, shape: Shape, name: str, *, part_of_split: bool) -> MadePiece:
        entry = self.entry
        stages, findings = list(self.stages), list(self.findings)
        result: Allowed | None = None
        allowance = entry.allowance
        wanted = allowance.changes
        if entry.split is not None and wanted:
            # Both allowances from the stitching line at once, so that they meet in proper corners.
            allowance = replace(allowance, split_mm=entry.split.allowance_mm)
        bounds: list[float] = []
        finished = whole
        facts: tuple[PatchFact, ...] = ()
        if wanted:
            result = self.on_line(entry.allowance_line, lambda: allow(whole, allowance, where=name))
            findings += result.findings
            bounds.append(result.deviation_mm)
            stages.append(
                Stage(step="allowance", words=_allowance_words(result, entry), before=(shape,), after=(result.shape,))
            )
            finished = result.finished
            if not part_of_split and not allowance.edges:
                facts = patch_facts(result.finished, allowance.all_mm)
            shape = result.shape
        if entry.pair and entry.count == 1:
            message = "a pair, but only one is cut: no mirror image; write count = 2 for one pair"
            findings.append(Finding(code="pair-odd", message=message, where=name))
        elif entry.pair and entry.count % 2:
            message = f"{entry.count} copies of a pair: one has no mirror image"
            findings.append(Finding(code="pair-odd", message=message, severity="note", where=name))
        on_fold = not part_of_split or any(m.kind == "fold line" for m in shape.marks)
        fold = self.traced.cut.fold and entry.unfold is None and on_fold
        if fold:
            message = "read as cut on the fold, but the list does not unfold it; it is kept as a half to lay on a fold"
            findings.append(Finding(code="still-folded", message=message, severity="note", where=name))
        box = finished.outline.bounds
        cut = CutNote(
            count=entry.count,
            mirrored=entry.pair,
            fold=fold,
            material=entry.on or self.traced.cut.material,
        )
        marks = lettered(
            shape.marks,
            shape.outline,
            shape.holes,
            name=name,
            cut=cut,
            old_names=[p.name for p in self.parts],
            old_materials=[p.cut.material for p in self.parts],
        )
        if stages and len(stages[-1].after) == 1:
            stages[-1] = replace(stages[-1], after=(replace(shape, marks=marks),))
        piece = Piece(
            id="",
            name=name,
            sheet=self.traced.sheet,
            outline=shape.outline,
            holes=shape.holes,
            expanded_uncertainty_mm=combined_mm([s.outline for s in self.shares], fit_bounds_mm=bounds),
            size_uncertainty_mm=combined_size_mm(self.shares, *_size(shape)),
            fit=combined_fit(self.parts),
            marks=marks,
            cut=cut,
            notes=(*(n for p in self.parts for n in p.notes), *(f.words for f in facts)),
            made=Made(
                sources=tuple(p.id for p in self.parts),
                steps=tuple(s.words for s in stages),
                together=entry.together,
                finished_mm=(box.width, box.height) if wanted or part_of_split else None,
            ),
        )
        return MadePiece(
            piece=piece,
            traced=start,
            finished=finished,
            stages=tuple(stages),
            facts=facts,
            findings=tuple(findings),
        )


def _size(shape: Shape) -> tuple[float, float]:
    box = shape.outline.bounds
    return box.width, box.height


def _allowance_words(result: Allowed, entry: CutPiece) -> str:
    allowance = entry.allowance
    words = []
    if allowance.includes_mm or allowance.includes_edges:
        words.append(f"{both(allowance.includes_mm)} taken off")
        words += [f"{both(w)} taken off '{n}'" for n, w in allowance.includes_edges.items()]
    words.append(f"{both(allowance.all_mm)} added" if allowance.all_mm else "none added")
    if allowance.includes_holes_mm:
        words.append(f"{both(allowance.includes_holes_mm)} taken off its holes")
    if allowance.holes_mm:
        words.append(f"{both(allowance.holes_mm)} added inside its holes")
    for name, edge in allowance.edges.items():
        words.append(f"{both(edge.width_mm)} on '{name}'" + (f" {edge.corners}" if edge.corners else ""))
    box, cut = result.finished.outline.bounds, result.shape.outline.bounds
    words.append(f"corners {allowance.corners}")
    words.append(f"finished {size(box.width, box.height)}, cut {size(cut.width, cut.height)}")
    if result.deviation_mm >= 5e-5:
        words.append(f"curves within {result.deviation_mm:.4f} mm")
    return "allowance: " + "; ".join(words)


def make_cut(pattern: Pattern, cut_list: CutList) -> CutResult:
    """Carry out a cut list.

    Raises
    ------
    CutListError
        One line naming the line of the list; nothing is made then.
    """
    made: list[MadePiece] = []
    taken: dict[str, int] = {}
    for entry in cut_list.pieces:
        maker = _Maker(pattern, cut_list, entry)
        _require_new_name(cut_list, taken, maker.name, entry.line)
        pieces = maker.make()
        for one in pieces:
            if len(pieces) > 1:
                _require_new_name(cut_list, taken, one.piece.name, entry.line)
            made.append(replace(one, piece=replace(one.piece, id=f"c{len(made) + 1}")))
    seams = tuple(_checked_seams(cut_list, made))
    findings = tuple(f for m in made for f in m.findings) + tuple(f for s in seams for f in s.findings)
    sheets = {m.piece.sheet for m in made} | {
        p.sheet for m in made for p in pattern.pieces if m.piece.made is not None and p.id in m.piece.made.sources
    }
    cut = Pattern(
        sheets=tuple(s for s in pattern.sheets if s.id in sheets),
        pieces=arranged([m.piece for m in made]),
        findings=findings,
    )
    return CutResult(pattern=cut, made=tuple(made), seams=seams)


def _require_new_name(cut_list: CutList, taken: dict[str, int], name: str, line: int) -> None:
    if name in taken:
        first = f" (the first is on line {taken[name]})" if taken[name] else ""
        raise cut_list.problem(line, f"two pieces are called '{name}'{first}; give one another name")
    taken[name] = line


def _checked_seams(cut_list: CutList, made: list[MadePiece]) -> Iterable[SeamCheck]:
    def find(side: SeamSide) -> tuple[Shape, float]:
        for one in made:
            if side.piece in (one.piece.name, one.piece.id):
                return one.finished, one.piece.expanded_uncertainty_mm
        names = [m.piece.name for m in made]
        known = ", ".join(f"'{n}'" for n in names)
        near = nearest_word(side.piece, names)
        raise CutListError(f"no piece of the list is called '{side.piece}'; they are {known}{near}")

    for pair in cut_list.seams:
        yield check_seam(pair, find, cut_list.problem)
