"""Build the invented head, its cores and valve gear; write down the truth: ``python demo/make_nominal.py [FOLDER]``."""

from __future__ import annotations

import sys
from pathlib import Path

from demo.geometry.head import build_head
from demo.geometry.planted import truth_text
from demo.geometry.solids import area_mm2, is_valid, volume_mm3
from demo.geometry.step_file import write_step
from demo.geometry.valve_gear import rocker_arm, rocker_stand

DATA = Path(__file__).parent / "data"


def make_nominal(folder: Path) -> None:
    """Write ``head.step``, ``cores/*.step``, ``parts/*.step`` and ``truth.json`` into ``folder``."""
    head = build_head()
    if not is_valid(head.solid):
        raise SystemExit("the head is not a valid solid")
    (folder / "cores").mkdir(parents=True, exist_ok=True)
    write_step(head.solid, folder / "head.step", name="Demonstration head (invented)", face_names=head.face_names)
    for name, core in head.cores.items():
        write_step(core, folder / "cores" / f"{name}.step", name=name)
    (folder / "parts").mkdir(exist_ok=True)
    for name, part in (("rocker_stand", rocker_stand()), ("rocker_arm", rocker_arm())):
        write_step(part, folder / "parts" / f"{name}.step", name=f"{name} (invented)")
    (folder / "truth.json").write_text(truth_text(), encoding="utf-8")
    print(f"head: volume {volume_mm3(head.solid):.1f} mm3, area {area_mm2(head.solid):.1f} mm2 -> {folder}")


if __name__ == "__main__":
    make_nominal(Path(sys.argv[1]) if len(sys.argv) > 1 else DATA)
