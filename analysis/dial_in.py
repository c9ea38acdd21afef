"""From a recording and its judged shots to the setting: one way for the command and the page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import ArrayLike

from analysis.judgements import Judged, match_judged, one_kind, rest_above_shot, strays
from analysis.record import ShotRecord
from analysis.setting import USUAL_LIMIT_PA, Setting, fit_setting
from analysis.shots import BurstSag, summarise


@dataclass(frozen=True, slots=True, kw_only=True)
class DialIn:
    """The setting that judged shots ask for, with what it rests on.

    Attributes
    ----------
    setting : Setting
        What the judged shots say.
    judged : tuple of Judged
        The judgements that count, in order of their shots.
    work : str
        Fastener and wood that they are of, as the marks name it; "" where they do not.
    works : tuple of str
        Every kind of work that was judged, the most judged first.
    rest_above_shot_pa : float or None
        By how much the line at rest stood above the pressure at the judged shots [Pa].
    sag : BurstSag or None
        How far the line sags in this session's bursts, where there are any.
    warnings : tuple of str
        What the reader should know.
    """

    setting: Setting
    judged: tuple[Judged, ...]
    work: str
    works: tuple[str, ...]
    rest_above_shot_pa: float | None
    sag: BurstSag | None
    warnings: tuple[str, ...]


def dial_in(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    record: ShotRecord,
    marks: Sequence[Mapping[str, Any]],
    *,
    limit_pa: float | None = None,
    work: str | None = None,
) -> DialIn:
    """Find the setting from the shots of a recording that were judged.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s] and gauge pressure [Pa].
    record : ShotRecord
        The shots in it.
    marks : sequence of mapping
        In order of time; those of kind "judged" count. Their `text` names fastener and wood.
    limit_pa : float, optional
        The tool maker's highest pressure [Pa gauge]; without it the top of the usual range is heeded, and that is said.
    work : str, optional
        Which kind of work; without it the one that was judged most.
    """
    judged, warnings = match_judged(marks, record.shots)
    counted = Counter(j.work for j in judged)
    works = tuple(name for name, _ in counted.most_common())
    chosen = (works[0] if works else "") if work is None else work
    if work is not None and work not in works:
        known = f" Judged were: {', '.join(repr(w) for w in works)}." if works else " No shot was judged."
        msg = f"No shot was judged as {work!r}.{known}"
        raise ValueError(msg)
    of_work = tuple(j for j in judged if j.work == chosen)
    if len(works) > 1:
        warnings = (*warnings, f"{len(works)} kinds of work were judged; this is of {chosen or 'the unnamed one'!r} alone.")
    kept, mixed = one_kind(of_work)
    setting = fit_setting(
        [j.shot.before_pa for j in kept],
        [j.depth for j in kept],
        limit_pa=USUAL_LIMIT_PA if limit_pa is None else limit_pa,
        stray_pa=strays(record.shots),
    )
    if limit_pa is None:
        mixed = (*mixed, "No limit of the tool is given: 120 psi, the top of the usual range, was heeded.")
    return DialIn(
        setting=setting,
        judged=kept,
        work=chosen,
        works=works,
        rest_above_shot_pa=rest_above_shot(t_s, p_pa, kept),
        sag=summarise(record).sag,
        warnings=(*record.warnings, *warnings, *mixed),
    )
