"""What each command does, once its arguments are read. Refusals are raised; `app.cli` turns them into one line."""

from __future__ import annotations

import argparse
import errno
import math
import os
import socket
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from app.pointing import hints_from
from app.progress import progress
from app.refusal import EXIT_REFUSED, EXIT_STOPPED
from vision.declared import ASSUMABLE, Caliper, Declared, Lie, Reading
from vision.errors import DeclarationError, TargetNotFound

if TYPE_CHECKING:
    from vision import job


def declared_from(options: argparse.Namespace) -> Declared:
    """The declared facts behind the flags of ``measure``; only flags that were given replace the library's own defaults."""
    given = {
        "angle_tolerance_deg": options.angle_tolerance,
        "edge_height_tolerance_mm": options.edge_height_tolerance,
        "camera_distance_tolerance_mm": options.camera_distance_tolerance,
        "lie": options.lie and Lie(options.lie),
    }
    tool = {"accuracy_mm": options.caliper_accuracy, "resolution_mm": options.caliper_resolution}
    said = {name for name, value in (given | {f"caliper_{name}": value for name, value in tool.items()}).items() if value is not None}
    return Declared(
        included_angle_deg=options.angle,
        cheek_angle_deg=options.cheek_angle,
        edge_height_mm=options.edge_height,
        camera_distance_mm=options.camera_distance,
        printed_bar_mm=options.printed_bar,
        readings=tuple(Reading(position, thickness, position in options.set_aside) for position, thickness in options.caliper),
        caliper=Caliper(**{name: value for name, value in tool.items() if value is not None}),
        assumed=tuple(name for name in ASSUMABLE if name not in said),
        **{name: value for name, value in given.items() if value is not None},
    )


def job_from(options: argparse.Namespace) -> job.Job:
    """The job behind the flags of ``measure``, its paths relative to the working folder."""
    from vision import job
    from vision.zones import Stretches

    photos = tuple(job.JobPhoto(p.as_posix(), hints=hints_from(options, i + 1, p)) for i, p in enumerate(options.photos))
    side = job.JobSide(photos, declared_from(options), moved_light=bool(options.lights))
    method = job.Method(camera_profile=options.camera.as_posix() if options.camera else "", repeatability_mm=options.repeatability or 0.0)
    return job.Job((side,), method=method, stretches=Stretches(tuple(options.only), dict(options.apart), tuple(options.leave_out)))


def measure(options: argparse.Namespace) -> int:
    """``shoulderline measure``: photos and facts (or a job file) in, a folder of results out."""
    if options.each:
        return _measure_each(options)
    (path,) = options.job or [None]
    todo, folder = (path, path.parent) if path else (job_from(options), Path())
    from app import summary
    from app.make import make_result

    with progress() as report:
        result, names = make_result(todo, folder, options.out, report, options.jobs or 1, options.picture)
    print(summary.text(result))
    print(f"\nIn {options.out}: {', '.join(names)}")
    return 0


def _measure_each(options: argparse.Namespace) -> int:
    """Many photos or job files, a result of its own for each; one line a result, those refused on stderr."""
    from app import batch

    tasks = batch.tasks_of_jobs(options.job, options.out) if options.job else batch.tasks_of_photos(job_from(options), options.out)
    with progress() as report:
        outcomes, stopped = batch.run(tasks, options.jobs or batch.processors(), report)
    refused = [o for o in outcomes if o.refusal]
    batch.write_table(options.out, outcomes)
    for outcome in outcomes:
        print(outcome.refusal or outcome.line, file=sys.stderr if outcome.refusal else sys.stdout)
    measured = len(outcomes) - len(refused)
    folders = "a folder for each, " if measured > 1 else "its folder, " if measured else ""
    print(f"\n{measured} of {len(tasks)} measured; in {options.out}: {folders}{batch.TABLE}")
    if stopped:
        print(f"stopped: interrupted from the keyboard; {len(tasks) - len(outcomes)} of {len(tasks)} were not begun.", file=sys.stderr)
    return EXIT_STOPPED if stopped else EXIT_REFUSED if refused else 0


def target(options: argparse.Namespace) -> None:
    """``shoulderline target``: the page to print."""
    from app import outputs
    from calibration_targets import strip

    outputs.check_file(options.out, f"/Title ({strip.TITLE}".encode(), "page with the strip")
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "strip.pdf"
        strip.draw_pdf(page, options.paper)
        outputs.write_file(options.out, page.read_bytes())
    print(f"{options.out}: print at 100 %, measure both check bars, and give what you measured as --printed-bar X,Y.")


def camera(options: argparse.Namespace) -> None:
    """``shoulderline camera``: a camera profile from tilted photos of the strip."""
    from dataclasses import replace

    import numpy as np

    from app import outputs
    from vision import camera_profile, rounding
    from vision.photo import open_photo
    from vision.target import find_target

    # Range checks of the bars live in Declared.
    bars, half_width_mm = Declared(included_angle_deg=None, printed_bar_mm=options.printed_bar).bars_mm
    outputs.check_file(options.out, b'"tilt_spread_deg"', "camera profile", options.photos)
    targets, sizes, name = [], [], ""
    with progress() as report:
        for i, path in enumerate(options.photos):
            if report:
                report(f"find the strip in {path.name}", i / len(options.photos))
            photo = open_photo(path)
            try:
                target = find_target(photo.grey())
            except TargetNotFound as error:
                raise error.of(photo.name) from error
            # Printers err differently along X and Y, and a stretched board would pass for a tilt.
            targets.append(replace(target, board_mm=target.board_mm * np.array(bars) / 100.0))
            sizes.append((photo.width_px, photo.height_px))
            name = name or photo.camera
        # Of 100 mm, rectangular.
        found = camera_profile.calibrate(targets, sizes, name, half_width_mm / 100.0 / math.sqrt(3.0))
    with tempfile.TemporaryDirectory() as folder:
        draft = Path(folder) / "camera.json"
        found.save(draft)
        outputs.write_file(options.out, draft.read_bytes())
    focal = " ± ".join(rounding.round_pair(found.focal_px, 2 * found.focal_u_px))
    radial = " ± ".join(rounding.round_pair(found.k1, 2 * found.k1_u))
    print(
        f"{found.camera_name or 'camera'}: focal length {focal} px, radial term {radial}, from {found.photos} photos at about "
        f"{found.distance_mm:.0f} mm, up to {found.tilt_spread_deg:.0f} degrees apart; residuals {found.rms_px:.2f} px"
    )
    print(f"({rounding.COVERAGE})")
    print(f"In {options.out}: give it to 'shoulderline measure' as --camera, for photos from about the same distance, without zoom.")


def demo(options: argparse.Namespace) -> None:
    """``shoulderline demo``: every demo photo, measured beside true."""
    from app import demo as demonstration

    with progress() as report:
        rows = demonstration.run(options.out, report)
    print(demonstration.table(rows))
    print(f"\nOverlays, tables and reports are in {options.out}")


def _refuse_taken(address: str, port: int) -> None:
    """Refuse an address or port that cannot be served on, before anything is begun."""
    try:
        family, _, _, _, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        socket.create_server(place[:2], family=family).close()
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            what, remedy = f"--port {port}", f"give another, such as --port {port + 1 if port < 65535 else 8501}, or stop that program"
            raise DeclarationError(what, "another program serves on it, perhaps an app that still runs", remedy) from error
        remedy = "give a port above 1023, and as address localhost, 0.0.0.0 or one of this machine's own"
        raise DeclarationError(f"--address {address} --port {port}", f"it cannot be served on ({error.strerror})", remedy) from error


def _check_log(where: str) -> None:
    """Refuse a log that is none, or one in a folder that is not there: a mistyped path would show an empty log, and begin another one.

    A log that is not there yet begins with its first record; a server is asked when the page needs it.
    """
    from app.reference_log.errors import LogRefused
    from app.reference_log.store import Store, file_of

    path = file_of(where)
    if path is None:
        return
    if path.exists():
        Store(path).close()
    elif not path.absolute().parent.is_dir():
        raise LogRefused(f"--log {path}", "the folder it would lie in does not exist", "check the path, or make that folder first")


def app(options: argparse.Namespace) -> None:
    """``shoulderline app``: serve the app until interrupted."""
    from click.exceptions import Abort  # click comes with Streamlit, whose command is built on it
    from streamlit.web import cli as streamlit

    from app import first, session

    if options.log:
        _check_log(options.log)
    _refuse_taken(options.address, options.port)
    session.keep_small()
    # Measured while the server starts and the browser opens, so that the page opens on a result.
    first.warm()
    page = Path(__file__).with_name("main.py")
    if options.log:
        # The screens run in this process, but nothing else of it reaches them.
        os.environ["SHOULDERLINE_LOG"] = options.log
    try:
        streamlit.main(
            ["run", str(page), "--server.port", str(options.port), "--server.address", options.address,
             "--server.headless", "true" if options.headless else "false"],
            standalone_mode=False,
        )  # fmt: skip
    except Abort as error:  # what Streamlit's command makes of Ctrl-C before its server is up
        raise KeyboardInterrupt from error
