"""Times of the review page: first paint of a case, and new numbers after a correction.

``python tests/benchmarks/time_review.py RESULTS`` takes a folder that ``measure`` made (the demo's,
for instance), works on a copy of it, and prints for each case what opening it in Chromium takes
until its pictures and numbers stand, and for each kind of mark what the answer takes in this
process, as wall and processor time and as a share of the plain measuring stage. What is compiled is
loaded first, as the page does it when it is started. A mark that a femur refuses is told with its
reason. Bars: a first paint and a correction under 1 s on 2 cores at rest, and a share of 1.0 at
most.
"""

import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from canalmorph.batch.reviews import ReviewAction
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.model.femur import AlignedFemur, Plane
from canalmorph.pipeline import Settings, measure_aligned
from canalmorph.review.app import make_address, make_app
from canalmorph.review.desk import ReviewDesk, open_desk
from canalmorph.review.guard import Keys
from canalmorph.review.server import listen_here, make_server
from canalmorph.review.warming import load_compiled

N_PAINTS = 3


def list_marks(femur: AlignedFemur) -> list[Correction]:
    """Return a mark of each kind of landmark, moved a little, and what changes the surfaces."""
    frame, side = femur.frame, femur.cortex.femur.side
    head, neck = femur.cortex.femur.head, femur.neck
    kind = CorrectionKind

    def place(point: np.ndarray) -> tuple[tuple[float, float, float], ...]:
        x, y, z = point.tolist()
        return ((x, y, z),)

    outer = femur.cortex.outer_lps_mm.reshape(-1, 3)
    lowest_mm = float(np.nanmin(frame.lps_to_frame_mm(outer)[:, 2]))

    def at_level(level_mm: float) -> np.ndarray:
        # On a short femur as far above its end as it can be.
        return frame.frame_to_lps_mm(np.array([0.0, 0.0, max(level_mm, lowest_mm + 20.0)]))

    apex = femur.lesser_trochanter.apex_lps_mm + 2.0 * frame.proximal
    turn = 2 * np.pi * np.arange(60) / 60
    ring = np.stack([7 * np.cos(turn), 7 * np.sin(turn), 0 * turn - 80.0], axis=1)
    drawn = tuple((x, y, z) for x, y, z in frame.frame_to_lps_mm(ring).tolist())
    marks = [
        Correction(kind=kind.LESSER_TROCHANTER, side=side, points_lps_mm=place(apex)),
        Correction(kind=kind.ISTHMUS, side=side, points_lps_mm=place(at_level(-100.0))),
        Correction(kind=kind.PLANE, side=side, plane=Plane.SCANNER),
        Correction(kind=kind.CANAL_OUTLINE, side=side, place="-80", points_lps_mm=drawn),
        Correction(kind=kind.METAL, side=side, place="1", points_lps_mm=place(at_level(-90.0))),
        Correction(kind=kind.FRACTURE, side=side, points_lps_mm=place(at_level(-120.0))),
    ]
    if head is not None and neck is not None:
        centre, middle = head.centre_lps_mm + 1.0, neck.centre_lps_mm + 1.5 * frame.proximal
        marks += [
            Correction(
                kind=kind.HEAD, side=side, points_lps_mm=place(centre), radius_mm=head.radius_mm
            ),
            Correction(kind=kind.NECK, side=side, points_lps_mm=place(middle)),
            Correction(kind=kind.NECK_FRACTURE, side=side, points_lps_mm=place(middle)),
        ]
    return marks


def measure_time(work: Callable[[], object]) -> tuple[float, float]:
    """Return wall and this thread's processor time of some work [s]."""
    wall, processor = time.perf_counter(), time.thread_time()
    work()
    return time.perf_counter() - wall, time.thread_time() - processor


def time_corrections(desk: ReviewDesk, case_id: str) -> None:
    """Print a line for each mark on the first femur of a case, and undo it."""
    femur = desk.open_case(case_id).automatic_aligned[0]
    measure_aligned(femur, Settings())  # loads what the rods need
    _, stage = measure_time(lambda: measure_aligned(femur, Settings()))
    print(f"  plain measuring stage of one femur {stage:5.2f} s of processor time")

    def do(action: ReviewAction, mark: Correction | None = None) -> tuple[float, float]:
        version = desk.reviews.get(case_id).version
        return measure_time(
            lambda: desk.change(case_id, action, version=version, by="bench", mark=mark)
        )

    for mark in list_marks(femur):
        desk._take_bench(case_id).known.results.clear()
        desk.write_due()
        try:
            wall, processor = do(ReviewAction.CORRECT, mark)
        except ValueError as error:
            print(f"  {mark.kind.value:20} refused: {error}")
            continue
        print(
            f"  {mark.kind.value:20} {wall:5.2f} s wall {processor:5.2f} s processor, "
            f"{processor / stage:4.2f} of the stage"
        )
        do(ReviewAction.UNDO)


def time_paints(desk: ReviewDesk, case_ids: list[str]) -> None:
    """Print what opening each case in Chromium takes, first and again."""
    from playwright.sync_api import sync_playwright

    with listen_here(0) as listener, sync_playwright() as session:
        port, keys = int(listener.getsockname()[1]), Keys()
        server = make_server(make_app(desk, port=port, keys=keys))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started:
            time.sleep(0.01)
        browser = session.chromium.launch(
            executable_path=shutil.which("chromium"), chromium_sandbox=False
        )
        page = browser.new_page(viewport={"width": 1280, "height": 1000})
        page.goto(make_address(port, keys))
        page.wait_for_selector("#rows a")
        for case_id in case_ids:
            spent = []
            for _ in range(N_PAINTS):
                started = time.perf_counter()
                page.goto(f"http://127.0.0.1:{port}/case?id={case_id}")
                page.wait_for_selector("body[data-shown]")
                spent.append(time.perf_counter() - started)
            told = ", ".join(f"{one:.2f}" for one in spent)
            print(f"{case_id}: pictures and numbers stand after {told} s (first, again)")
        browser.close()
        server.should_exit = True
        thread.join()


def main(results: Path) -> None:
    """Print everything of a copy of a results folder."""
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"{os.cpu_count()} processors, load {load}")
    with tempfile.TemporaryDirectory() as aside:
        copied = Path(shutil.copytree(results, Path(aside) / "results"))
        case_ids = sorted(path.parent.name for path in copied.glob("cases/[!.]*/surfaces.npz"))
        with open_desk(copied) as desk:
            load_compiled(desk)
            desk._benches.clear()
            time_paints(desk, case_ids)
            for case_id in case_ids:
                print(case_id)
                time_corrections(desk, case_id)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
