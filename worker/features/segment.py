"""A mesh cut into planes, cylinders, cones and spheres.

In the order of what is surest: facets that only planes have; pieces between creases that are one
element as a whole, as holes and bosses mostly are; bands of facets that turn alike about one axis;
what those leave, as a whole once more; and elements grown from single facets, for meshes whose
facets form no bands.  What fits nothing is freeform and gives no patch.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.features.flats import Flats, flats_of
from worker.features.growing import Work, grown, work_on
from worker.features.patches import Patch
from worker.features.segment_settings import SegmentSettings
from worker.features.skin import Skin
from worker.records import Bools, Floats, Ints, SurfaceKind

LEGS = 4  # borders of a facet that are looked at for its two legs, the longest


def mesh_patches(skin: Skin, settings: SegmentSettings | None = None) -> tuple[Patch, ...]:
    """Patches of a mesh; none if it has no triangle with an area."""
    settings = settings or SegmentSettings()
    if not len(skin.triangles) or not float(skin.area_mm2.sum()) > 0:
        return ()
    flats = flats_of(skin, settings)
    is_plane = _planes(flats, settings)
    work = work_on(skin, flats, is_plane, settings)
    _take_whole(work)
    _take_bands(work)
    _take_whole(work)
    _take_grown(work)
    planes = [_plane(int(index), flats) for index in np.flatnonzero(is_plane & ~work.is_taken)]
    return (*planes, *work.patches)


def _planes(flats: Flats, settings: SegmentSettings) -> Bools:
    """Facets without smooth borders, or much wider than what they smoothly border on.

    A turn as large as those of a coarse round counts as smooth only where another like it follows.
    """
    count = len(flats.area_mm2)
    smooth, narrow = np.zeros(count), np.zeros(count)
    is_smooth = np.abs(flats.turn_rad) < settings.lone_turn_rad
    is_smooth[np.concatenate(_linked(flats, np.ones(count, dtype=np.bool_), settings))] = True
    for here, there in ((flats.left, flats.right), (flats.right, flats.left)):
        is_narrow = is_smooth & (flats.width_mm[there] * settings.wide_ratio < flats.width_mm[here])
        smooth += np.bincount(here[is_smooth], weights=flats.length_mm[is_smooth], minlength=count)
        narrow += np.bincount(here[is_narrow], weights=flats.length_mm[is_narrow], minlength=count)
    is_sound = (flats.off_mm < 6 * flats.grain_mm + settings.rim_mm) & (flats.width_mm > 20 * flats.grain_mm)
    perimeter = 2 * flats.area_mm2 / np.maximum(flats.width_mm, 1e-300)
    is_tiny = flats.area_mm2 < settings.tiny_area_share * float(flats.area_mm2.sum())
    is_lone = (flats.corner_count <= 3) & ((smooth > settings.sharp_border_share * perimeter) | is_tiny)
    is_wide: Bools = narrow >= settings.wide_border_share * smooth
    is_plane: Bools = is_sound & ~is_lone & is_wide & (flats.area_mm2 > 0)
    return is_plane & (_is_sharp(smooth, perimeter, settings) | _is_large(flats, is_plane, settings))


def _is_sharp(smooth: Floats, perimeter: Floats, settings: SegmentSettings) -> Bools:
    """Facets bounded by edges for the most part."""
    is_sharp: Bools = smooth < settings.sharp_border_share * perimeter
    return is_sharp


def _is_large(flats: Flats, is_plane: Bools, settings: SegmentSettings) -> Bools:
    """Facets that would bulge too much for facets of a curved surface, or a little less but of some area."""
    bulge = _bulge_mm(flats)
    others = bulge[~is_plane & (bulge > 0)]
    if not len(others):
        return np.ones(len(bulge), dtype=np.bool_)
    usual, rare = np.quantile(others, [settings.usual_bulge_share, settings.rare_bulge_share])
    is_wide = flats.area_mm2 > settings.least_area_share * float(flats.area_mm2.sum())
    is_large: Bools = (bulge > rare) | ((bulge > usual) & is_wide)
    return is_large


def _bulge_mm(flats: Flats) -> Floats:
    """(f,) how far the surface would leave each facet if it turned within it as it does at its smooth borders."""
    turn, length = np.zeros(len(flats.area_mm2)), np.zeros(len(flats.area_mm2))
    for side in (flats.left, flats.right):
        turn += np.bincount(side, weights=np.abs(flats.turn_rad) * flats.length_mm, minlength=len(turn))
        length += np.bincount(side, weights=flats.length_mm, minlength=len(turn))
    bulge: Floats = flats.width_mm / 4 * turn / np.maximum(length, 1e-300)
    return bulge


def _plane(index: int, flats: Flats) -> Patch:
    return Patch(
        kind=SurfaceKind.PLANE,
        triangles=flats.triangles_of(np.array([index])),
        faces=np.empty(0, dtype=np.int64),
        point_mm=flats.centre_mm[index],
        direction=flats.normal[index],
    )


def _pieces(work: Work) -> list[Ints]:
    """Connected groups of untaken facets, largest area first."""
    flats = work.flats
    is_left = ~(work.is_taken | work.is_plane)
    is_open = is_left[flats.left] & is_left[flats.right]
    return _groups(flats.left[is_open], flats.right[is_open], is_left, flats.area_mm2)


def _groups(left: Ints, right: Ints, is_member: Bools, weight: Floats) -> list[Ints]:
    count = len(is_member)
    graph = coo_array((np.ones(len(left)), (left, right)), shape=(count, count))
    label = connected_components(graph, directed=False)[1]
    members = np.flatnonzero(is_member)
    order = members[np.argsort(label[members], kind="stable")]
    if not len(order):
        return []
    cuts = np.flatnonzero(np.diff(label[order])) + 1
    groups = np.split(order, cuts)
    total = np.bincount(label[members], weights=weight[members], minlength=int(label.max()) + 1)
    return sorted(groups, key=lambda group: (-round(float(total[label[group[0]]]), 6), int(group[0])))


def _take_whole(work: Work) -> None:
    for whole in _pieces(work):
        piece = whole[~work.is_taken[whole]]
        patch = work.fit(piece) if len(piece) >= work.settings.least_facets else None
        if patch is None:
            continue
        piece, patch = grown(work, piece, patch)
        work.take(piece, None if _is_blend(work, piece, patch) else patch)


def _is_blend(work: Work, piece: Ints, patch: Patch) -> bool:
    """A single smooth-bordered band between other surfaces is as much a coarse fillet as a cone."""
    if patch.kind is not SurfaceKind.CONE:
        return False
    flats = work.flats
    is_in = np.zeros(len(flats.area_mm2), dtype=np.bool_)
    is_in[piece] = True
    is_border = is_in[flats.left] != is_in[flats.right]
    smooth, sharp = float(flats.length_mm[is_border].sum()), float(flats.crease_mm[piece].sum())
    return smooth > work.settings.wide_border_share * (smooth + sharp)


def _take_bands(work: Work) -> None:
    flats = work.flats
    one, other = _linked(flats, ~(work.is_taken | work.is_plane), work.settings)
    is_member = np.zeros(len(flats.left), dtype=np.bool_)
    is_member[one] = is_member[other] = True
    reach = np.minimum(flats.area_mm2[flats.left], flats.area_mm2[flats.right])
    for borders in _groups(one, other, is_member, reach):
        if float(np.abs(flats.turn_rad[borders]).sum()) < work.settings.least_turn_rad:
            continue
        members = np.union1d(flats.left[borders], flats.right[borders])
        members = members[~work.is_taken[members]]
        if len(members) < work.settings.least_facets:
            continue
        members, patch = _fitted_band(work, members)
        if patch is None or patch.kind is SurfaceKind.SPHERE:
            continue
        members, patch = grown(work, members, patch)
        if not _goes_on(work, members, patch):
            work.take(members, patch)


def _fitted_band(work: Work, members: Ints) -> tuple[Ints, Patch | None]:
    """The element of a band; without its odd facets if it has none with them.

    At the side of a bend, facets of the straight and of the bent piece lie in one plane and make one facet.
    """
    patch = work.fit(members)
    if patch is not None:
        return members, patch
    area = work.flats.area_mm2[members]
    members = members[area < work.settings.odd_area * float(np.median(area))]
    return members, work.fit(members) if len(members) >= work.settings.least_facets else None


def _linked(flats: Flats, is_left: Bools, settings: SegmentSettings) -> tuple[Ints, Ints]:
    """Pairs of borders that are the two legs of one facet: alike in turn and nearly parallel, on opposite sides."""
    table = _longest_borders(flats, is_left[flats.left] & is_left[flats.right])
    found = []
    for first, second in combinations(range(LEGS), 2):
        facet = np.flatnonzero((table[:, first] >= 0) & (table[:, second] >= 0))
        one, other = table[facet, first], table[facet, second]
        turn, back = flats.turn_rad[one], flats.turn_rad[other]
        ratio = np.abs(turn) / np.maximum(np.abs(back), 1e-300)
        is_alike = (turn * back > 0) & (ratio < settings.turn_ratio) & (ratio > 1 / settings.turn_ratio)
        along = flats.along[one]
        is_alike &= np.abs(np.einsum("ij,ij->i", along, flats.along[other])) > np.cos(settings.leg_rad)
        arms = [flats.middle_mm[border] - flats.centre_mm[facet] for border in (one, other)]
        arms = [arm - np.einsum("ij,ij->i", arm, along)[:, None] * along for arm in arms]
        is_alike &= np.einsum("ij,ij->i", *arms) < 0
        found.append(np.stack([one[is_alike], other[is_alike]]))
    pairs = np.concatenate(found, axis=1)
    return pairs[0], pairs[1]


def _longest_borders(flats: Flats, is_open: Bools) -> Ints:
    """(f, LEGS) longest smooth borders of each facet, -1 where it has fewer."""
    border = np.flatnonzero(is_open)
    facet = np.concatenate([flats.left[border], flats.right[border]])
    border = np.concatenate([border, border])
    order = np.lexsort((-flats.length_mm[border], facet))
    facet, border = facet[order], border[order]
    first = np.searchsorted(facet, facet)
    rank = np.arange(len(facet)) - first
    table = np.full((len(flats.area_mm2), LEGS), -1, dtype=np.int64)
    kept = rank < LEGS
    table[facet[kept], rank[kept]] = border[kept]
    return table


def _goes_on(work: Work, members: Ints, patch: Patch) -> bool:
    """Whether the band is one of several side by side, as a sphere or torus is cut into."""
    flats = work.flats
    is_in = np.zeros(len(flats.area_mm2), dtype=np.bool_)
    is_in[members] = True
    rim = np.flatnonzero(is_in[flats.left] != is_in[flats.right])
    beyond = np.where(is_in[flats.left[rim]], flats.right[rim], flats.left[rim])
    is_round = np.abs(flats.along[rim] @ patch.direction) < 0.5
    is_loose = ~(work.is_taken | work.is_plane)[beyond]
    rim, beyond = rim[is_round & is_loose], beyond[is_round & is_loose]
    if not len(rim):
        return False
    height = (flats.centre_mm[members] - patch.point_mm) @ patch.direction
    side = (flats.middle_mm[rim] - patch.point_mm) @ patch.direction > float(height.mean())
    own = float(flats.area_mm2[members].sum())
    ratios = []
    for is_end in (side, ~side):
        length = float(flats.length_mm[rim[is_end]].sum())
        if length > 2 * patch.radius_mm:  # a third of the way round
            ratios.append(own / max(float(flats.area_mm2[np.unique(beyond[is_end])].sum()), 1e-300))
    is_cut_out = patch.kind is SurfaceKind.CONE or len(ratios) == 2
    least = work.settings.slice_ratio if is_cut_out else work.settings.band_ratio
    return bool(ratios) and min(ratios) < least


def _take_grown(work: Work) -> None:
    for piece in _pieces(work):
        if len(piece) < work.settings.grown_facets:
            continue
        least, most = work.settings.seed_counts
        count = int(np.clip(work.settings.seed_share * len(piece), least, most))
        by_area = piece[np.argsort(-work.flats.area_mm2[piece], kind="stable")]
        is_tried = np.zeros(len(work.is_taken), dtype=np.bool_)
        for seed in by_area[:: max(1, len(by_area) // (3 * count))]:
            if count == 0:
                break
            if work.is_taken[seed] or is_tried[seed]:
                continue
            count -= 1
            _grow_from(work, int(seed), is_tried)


def _grow_from(work: Work, seed: int, is_tried: Bools) -> None:
    ring = _ring(work, seed)
    is_tried[ring] = True
    patch = work.fit(ring, _bent_ways(work, ring))
    if patch is None:
        return
    members, patch = grown(work, ring, patch)
    is_tried[members] = True
    final = work.fit(members)
    is_enough = final is not None and len(members) >= work.settings.grown_facets
    if is_enough and not (patch.kind is not SurfaceKind.SPHERE and _goes_on(work, members, patch)):
        work.take(members, final)


def _ring(work: Work, seed: int) -> Ints:
    """The seed and the facets round it, until there are corners enough and they turn enough to show a shape."""
    ring = np.array([seed])
    normal = work.flats.normal
    for _ in range(work.settings.most_rings):
        wider = work.around(ring)
        if len(wider) == len(ring):
            break
        ring = wider
        is_turned = float((normal[ring] @ normal[seed]).min()) < np.cos(work.settings.seed_turn_rad)
        if is_turned and len(ring) >= work.settings.seed_corners // 2:
            corners = np.unique(work.skin.triangles[work.flats.triangles_of(ring)])
            if np.count_nonzero(work.flats.is_corner[corners]) >= work.settings.seed_corners:
                break
    return ring


def _bent_ways(work: Work, ring: Ints) -> frozenset[SurfaceKind]:
    """What the normals of a small piece allow: bent one way only a cylinder or cone, both ways a sphere."""
    normal, area = work.flats.normal[ring], work.flats.area_mm2[ring]
    offset = normal - np.average(normal, axis=0, weights=area)
    spread = np.linalg.eigvalsh((offset * area[:, None]).T @ offset)
    share = float(spread[1] / max(float(spread[2]), 1e-300))
    low, high = work.settings.bent_shares
    kinds = {SurfaceKind.CYLINDER, SurfaceKind.CONE} if share < high else set()
    return frozenset(kinds | ({SurfaceKind.SPHERE} if share > low else set()))
