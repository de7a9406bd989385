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
  - {id: C25, kind: shrink, axis: overall, lower_percent: 1.0, upper_percent: 1.5}
substitution:
  - {id: C1, bias: 0.0004, expanded_uncertainty: 0.0006, statement: 20 scans of a calibrated piece}
"""
