"""A plan that uses every kind of characteristic and every way of choosing a place."""

from __future__ import annotations

FULL_PLAN = """\
firstpour_plan: "1"
title: Everything a plan can say
unit: inch
piece: {kind: casting, serial: "007", alloy: A356, shrink_allowance_percent: 1.3}
scanner: {expanded_uncertainty: 0.001, statement: acceptance test}
temperature: {celsius: 24.5, expanded_uncertainty_kelvin: 1, material: aluminium 356}
uncertainty: {method: monte_carlo, draws: 5000}
maps: {tolerance: 0.02, thin_wall: 0.16}
general_tolerance: ISO 8062-3 DCTG 9
alignment: {method: frame, frame: main}
datums:
  - {letter: A, feature: plane-1}
  - {letter: B, feature: {face: 12}, reference: least_squares}
  - {letter: C, width: [plane-2, {face_name: end}]}
  - letter: D
    targets:
      - {point: [0, 0, 1], radius: 0.1}
      - {point: [1, 0, 1]}
      - {point: [0, 1, 1]}
frames:
  - {name: main, datums: [A, B, C]}
  - {name: loose, datums: [D]}
regions:
  - {name: intake, core: intake_1}
  - {name: deck, faces: [3, 4]}
  - {name: named, face_names: [deck, rail]}
  - {name: bore, feature: hole-1}
  - {name: corner, box: {minimum: [0, 0, 0], maximum: [1, 1, 1]}}
  - {name: ball, ball: {centre: [0, 0, 0], radius: 1}}
  - {name: tube, tube: {start: [0, 0, 0], end: [0, 0, 1], radius: 1}}
mock_up:
  - name: stand
    body: stand_1
    expanded_uncertainty: 0.001
    place:
      mates:
        - {part: {kind: plane, point: [0, 0, 1], direction: [0, 0, -1]}, piece: plane-1, offset: 0.03}
        - {part: {kind: axis, point: [0, 0, 1], direction: [0, 0, 1]}, piece: hole-1}
        - {part: {kind: axis, point: [1, 0, 1], direction: [0, 0, 1]}, piece: {face: 12}}
  - name: arm
    body: arm_1
    place: {transform: {translation: [0, 0, 1], rotation_axis: [0, 0, 1], rotation_degrees: 30}}
  - name: cover
    body: cover_1
    place:
      seat: {part: {kind: plane, point: [0, 0, 0], direction: [0, 0, -1]}, piece: plane-1}
      holes: [{part_point: [0, 0, 1], feature: hole-1}, {part_point: [1, 0, 1], feature: hole-2}]
characteristics:
  - {id: C1, kind: size, feature: hole-1, fit: H8, association: maximum_inscribed}
  - {id: C2, kind: size, feature: hole-2, lower_deviation: -0.005, upper_deviation: 0.005, nominal: 0.5}
  - {id: C3, kind: distance, first: plane-1, second: {point: [0, 0, 1]}, general: ISO 2768-m}
  - {id: C4, kind: distance, first: hole-1, direction: x, frame: main}
  - {id: C5, kind: angle, first: plane-1, second: plane-2, lower_degrees: 89.5, upper_degrees: 90.5}
  - {id: C6, kind: flatness, feature: plane-1, zone: 0.004}
  - {id: C7, kind: straightness, feature: hole-1, of: axis, zone: 0.004}
  - {id: C8, kind: roundness, feature: hole-1, zone: 0.004}
  - {id: C9, kind: cylindricity, feature: hole-1, zone: 0.004}
  - {id: C10, kind: parallelism, feature: plane-2, datum: A, zone: 0.004}
  - {id: C11, kind: perpendicularity, feature: hole-1, datum: A, zone: 0.004}
  - {id: C12, kind: angularity, feature: plane-3, datum: A, zone: 0.004}
  - {id: C13, kind: position, feature: hole-1, frame: main, zone_diameter: 0.014}
  - {id: C14, kind: position, feature: hole-2, zone_diameter: 0.014, condition: mmc, fit: H9}
  - {id: C15, kind: coaxiality, feature: hole-2, datum: B, zone_diameter: 0.01}
  - {id: C16, kind: circular_runout, feature: boss-1, datum: B, zone: 0.01}
  - {id: C17, kind: total_runout, feature: boss-1, datum: B, zone: 0.01}
  - {id: C18, kind: surface_profile, region: intake, zone: 0.04, outside: 0.03}
  - {id: C19, kind: line_profile, region: intake, point: [0, 0, 1], normal: [0, 0, 1], zone: 0.04}
  - {id: C20, kind: wall_thickness, region: intake, toward: deck, least: 0.16}
  - {id: C21, kind: wall_thickness, grade: 9}
  - {id: C22, kind: machining_allowance, feature: plane-1, grade: F, most: 0.2}
  - {id: C23, kind: machining_allowance, region: deck, required: 0.08}
  - {id: C24, kind: core_displacement, region: intake, most: 0.03}
  - {id: W1, kind: wall_between, region: intake, toward: bore, least: 0.12}
  - {id: W2, kind: room_to_remove, region: intake, walls: [{toward: bore, least: 0.12}], required: 0.02}
  - {id: P1, kind: rod_passage, start: [1, 1, 0], end: [1, 1.2, 8], end_travel: [1, 1.3, 8.4], preset: 1/2 in,
     least: 0.03, regions: [intake]}
  - {id: F1, kind: fastener, feature: hole-1, thread: 3/8-16, joint: tapped, clamp_length: 1.2, head_diameter: 0.65,
     strength_internal_mpa: 228, strength_external_mpa: 1034, least: 0.12}
  - {id: F2, kind: fastener_line, features: [hole-1, {point: [0, 0, 1]}, hole-3], closed: true, most: 2.5}
  - {id: F3, kind: fastener_sites, region: deck, thread: M8x1.25, depth: 0.8, least: 0.12, spacing: 0.8, edge: 0.5,
     required_count: 2}
  - {id: C25, kind: shrink, axis: overall, lower_percent: 1.0, upper_percent: 1.5}
  - {id: PORT1, kind: port_area, region: intake, least_mm2: 650, most_mm2: 900,
     valve: {diameter: 2.0, stem_diameter: 0.3, seat_width: 0.08, seat_angle_degrees: 45, throat_diameter: 1.75,
             lifts: [0.1, 0.2, 0.5]},
     flow: {pressure_inches_of_water: 28, discharge_coefficient: 0.6}}
  - {id: PORT2, kind: port_volume, region: intake, lower_mm3: 80000, upper_mm3: 90000}
  - {id: PORT3, kind: port_sibling, region: intake, sibling: bore, mirror: x, point: [1, 0, 0], most: 0.02}
  - {id: O1, kind: section_offset, feature: hole-1, region: intake, point: [0, 0, 1], most: 0.02}
  - {id: O2, kind: section_offset, feature: hole-1, region: intake, point: [0, 0, 1], normal: [0, 0, 1], direction: x,
     lower_deviation: -0.02, upper_deviation: 0.02}
  - {id: O3, kind: pocket_depth, feature: plane-2, face: plane-1, axis: hole-1, general: ISO 2768-m}
  - {id: O4, kind: cavity_volume, region: intake, plane: plane-1, openings: flat, lower_cc: 40, upper_cc: 41}
  - {id: O5, kind: cavity_volume, region: intake, point: [0, 0, 1], normal: [0, 0, 1], upper_cc: 41}
  - {id: O6, kind: sibling_offset, feature: hole-1, sibling: hole-2, mirror: x, direction: z, most: 0.02}
  - {id: M1, kind: clearance, body: arm, against: stand, least: 0.02, moving: [cover],
     motion: {rotation: {point: [0, 0, 1], axis: [0, 0, 1], from_degrees: -5, to_degrees: 12}}}
  - {id: M2, kind: clearance, body: cover, against: piece, least: 0.02,
     motion: {slide: {direction: [0, 0, 1], travel: [0, 0.4]}}}
what_if:
  - {name: intake up, moves: [{region: intake, translation: [0, 0, 0.005]}], lines: [C20]}
  - name: all ways
    of: piece
    moves:
      - {feature: hole-1, diameter_change: 0.01}
      - {region: deck, offset: -0.005, ask_of: machine shop}
      - {body: rocker, rotation_axis: [0, 0, 1], rotation_degrees: 0.5, point: [1, 0, 0]}
solve:
  - {name: centre the intake, moves: [{region: intake, freedoms: [x, y], most: 0.02}], lines: [C20, C24]}
substitution:
  - {id: C1, bias: 0.0004, expanded_uncertainty: 0.0006, statement: 20 scans of a calibrated piece}
"""
