"""How often `arrayopt as-built` finds wrong magnets in a scan, and how often it blames good ones.

Rotors of a study are made up magnet by magnet in magpylib: every magnet is off in remanence,
direction, place, angle and sizes as the study's tolerances say, some are wrong, and a probe with
noise, offset, a gain and a distance of its own goes round a rotor that lies off its table's
centre. Nothing of that is linear, and nothing of it is told to the fit. Prints Markdown.

Run: python benchmarks/as_built_rates.py [ROTORS [PROCESSES [PART OF A NAME]]]
"""

from __future__ import annotations

import os

os.environ["OMP_NUM_THREADS"] = "1"

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path

import numpy as np
from magpylib.core import magnet_cuboid_Bfield
from tabulate import tabulate

from arrayopt.evaluation import load_study
from arrayopt.layout.members import exchange_errors
from arrayopt.measurement.records import Scan
from arrayopt.measurement.scan import bare_field, fit_scan, scan_model
from arrayopt.scatter.sources import limit_of

ROOT = Path(__file__).resolve().parent.parent
STUDIES = ("ankle", "pan")
NOISE, OFFSET, GAIN = 0.005, 2e-3, 0.03  # of the fundamental; T; of the reading
DISTANCE, CENTRE, STEP, JITTER, MARK = 1e-4, 1e-4, 1.0, 0.1, 1.0  # m, m, deg, deg, deg
KINDS = {
    "missing": (-1.0, 0.0), "flipped": (-2.0, 0.0), "turned anticlockwise": (-1.0, 1.0),
    "turned clockwise": (-1.0, -1.0),
}  # fmt: skip
WEAK = {f"{family}, weak by {share} %": (family, -share / 100)
        for family in ("main", "transverse") for share in (25, 40)}  # fmt: skip
SCENARIOS = (
    "good", *KINDS, *WEAK, "swapped neighbours", "two wrong", "two wrong side by side",
    "missing or flipped, half of the scan", "missing or flipped, start unknown",
    "good, half of the scan", "good, start unknown",
)  # fmt: skip


@cache
def ready(name):
    study = load_study(ROOT / "studies" / name / "study.toml")
    radius = study.stator.surface_diameter_mm / 2e3
    return study, radius, scan_model(study, radius=radius, height=0.0), bare_field(study)


def scanned(name, off, rng, angle, start):
    """Read a probe on a rotor whose magnets are off, evaluated directly."""
    _, radius, model, field = ready(name)
    layout = field.layout
    families = [f.name for f in layout.families]
    owner = np.array([families.index(m.family) for m in model.members])
    turn = np.array([m.angle for m in model.members])
    b = np.array([m.direction for m in model.members])
    J = field.polarisation[owner, 0]
    sizes = np.array([[s.thickness[0], s.width[0], layout.length[0]] for s in layout.shapes])
    size = sizes[owner] + np.stack([off["thickness"], off["width"], off["length"]], axis=1)
    centre = np.array([m.centre_radius for m in model.members]) + off["radial"]
    moved = CENTRE * (rng.standard_normal() + 1j * rng.standard_normal())
    r = radius + DISTANCE * rng.standard_normal()
    at = r * np.exp(1j * (angle + np.radians(JITTER) * rng.standard_normal(len(angle)) - start))
    local = (at - moved)[None] * np.exp(-1j * turn)[:, None]
    local = local - centre[:, None] - 1j * off["tangential"][:, None]
    local = local * np.exp(-1j * off["turn"])[:, None]
    own = ((1 + off["along"]) + 1j * off["across"]) * np.exp(1j * b) * J
    points = np.stack([local.real, local.imag, np.full(local.shape, 1e-5)], axis=-1)
    shape = local.shape
    B = magnet_cuboid_Bfield(
        points.reshape(-1, 3),
        np.broadcast_to(size[:, None], (*shape, 3)).reshape(-1, 3),
        np.broadcast_to(
            np.stack([own.real, own.imag, 0 * J], axis=1)[:, None], (*shape, 3)
        ).reshape(-1, 3),
    ).reshape(*shape, 3)
    field_xy = (B[..., 0] + 1j * B[..., 1]) * np.exp(1j * (turn + off["turn"]))[:, None]
    radial = (field_xy.sum(axis=0) * np.exp(-1j * np.angle(at))).real
    amplitude = abs(model.fundamental)
    gain = 1 + GAIN * rng.standard_normal()
    noise = NOISE * amplitude * rng.standard_normal(len(angle))
    return gain * radial + OFFSET * rng.standard_normal() + noise


def drawn(name, rng):
    study, _, model, _ = ready(name)
    count = len(model.members)

    def numbers(limit):
        return np.clip(rng.standard_normal(count), -3, 3) * limit / 2

    def place():
        return numbers(limit_of(study, "position")) + numbers(limit_of(study, "play"))

    size = limit_of(study, "size")
    angle = numbers(limit_of(study, "angle"))
    return {
        "along": numbers(limit_of(study, "remanence")) + np.cos(angle) - 1, "across": np.sin(angle),
        "radial": place(), "tangential": place(), "turn": numbers(limit_of(study, "tilt")),
        "thickness": numbers(size), "width": numbers(size), "length": numbers(size),
    }  # fmt: skip


def wrongs(scenario, members, layout, rng):
    """Which magnets are wrong, by index: a tuple of indices to (kind, jumps)."""
    count = len(members)
    i = int(rng.integers(count))
    if scenario in KINDS:
        return {(i,): (scenario, (KINDS[scenario],))}
    if scenario in WEAK:
        family, share = WEAK[scenario]
        i = int(rng.choice([k for k, member in enumerate(members) if member.family == family]))
        return {(i,): (scenario, ((share, 0.0),))}
    if scenario == "swapped neighbours":
        j = (i + 1) % count
        ways = exchange_errors(members, layout, i, j)
        errors = ways[rng.integers(len(ways))]
        jumps = tuple((np.cos(error) - 1, np.sin(error)) for error in errors)
        return {(i, j): ("swapped", jumps)}
    if scenario.startswith("two wrong"):
        j = (
            (i + 1) % count
            if scenario.endswith("side")
            else (i + int(rng.integers(2, count - 1))) % count
        )
        kinds = rng.choice(["missing", "flipped"], 2)
        return {
            (k,): (str(kind), (KINDS[str(kind)],)) for k, kind in zip((i, j), kinds, strict=True)
        }
    if scenario.startswith("missing or flipped"):
        kind = str(rng.choice(["missing", "flipped"]))
        return {(i,): (kind, (KINDS[kind],))}
    return {}


def tried(job):
    name, scenario, seed = job
    study, radius, model, field = ready(name)
    rng = np.random.default_rng([seed, SCENARIOS.index(scenario), STUDIES.index(name)])
    count, p = len(model.members), study.rotor.pole_pairs
    off = drawn(name, rng)
    wrong = wrongs(scenario, model.members, field.layout, rng)
    for members, (_, jumps) in wrong.items():
        for i, (along, across) in zip(members, jumps, strict=True):
            off["along"][i] += along
            off["across"][i] += across
    angle = np.radians(np.arange(0, 360, STEP))
    if "half" in scenario:
        first = rng.uniform(0, 2 * np.pi)
        angle = angle[(angle - first) % (2 * np.pi) < np.pi]
    unknown = "unknown" in scenario
    start = rng.uniform(-np.pi, np.pi) if unknown else np.radians(MARK) * rng.standard_normal()
    flux = scanned(name, off, rng, angle, start)
    scan = Scan("scan", 0, angle, flux, radius, start="unknown" if unknown else "magnet 1")
    begun = time.perf_counter()
    fit = fit_scan(model, scan)
    spent = time.perf_counter() - begun
    # Numbers of an unknown start shift by whole pole pairs.
    shift = round((fit.start - start) * p / (2 * np.pi)) * (count // p) if unknown else 0
    found = {tuple((i + shift) % count for i in one.members): one for one in fit.wrong}
    seen = {m for m in wrong if all(fit.seen[(i - shift) % count] for i in m)}
    named = sum(m in found for m in seen)
    right = sum(m in found and _same(found[m].kind, wrong[m][0]) for m in seen)
    # Two side by side may be told as one exchange: their places are right all the same.
    blamed = {i for m in found for i in m} - {i for m in wrong for i in m}
    touched = sum(set(m) <= {i for f in found for i in f} for m in seen)
    return len(wrong), len(seen), named, right, touched, bool(blamed), spent


def _same(found, true):
    return found == true or (true in WEAK and found == "weak")


def _percent(some, of):
    return f"{100 * some.sum() / of.sum():.1f}" if of.sum() else ""


def main(rotors=250, processes=2, only=""):
    rotors, processes = int(rotors), int(processes)
    jobs = [
        (n, s, k)
        for n in STUDIES
        for s in SCENARIOS
        for k in range(rotors * (4 if s == "good" else 1))
    ]
    jobs = [job for job in jobs if only in job[1]]
    with ProcessPoolExecutor(processes) as pool:
        results = list(pool.map(tried, jobs, chunksize=25))
    rows = []
    for name in STUDIES:
        for scenario in SCENARIOS:
            if only not in scenario:
                continue
            part = np.array(
                [r for j, r in zip(jobs, results, strict=True) if j[:2] == (name, scenario)], float
            )
            wrong, seen, _, right, touched, blamed, spent = part.T
            rows.append([
                name, scenario, len(part), _percent(touched, seen), _percent(right, seen),
                "" if not wrong.sum() else f"{100 * (1 - seen.sum() / wrong.sum()):.0f}",
                f"{100 * blamed.mean():.2f}", f"{1e3 * np.median(spent):.0f}",
            ])  # fmt: skip
    header = ["Study", "What is wrong", "Rotors", "Found [%]", "Named rightly [%]",
              "Out of sight [%]", "Good ones blamed [% of rotors]", "Time [ms]"]  # fmt: skip
    print(tabulate(rows, header, tablefmt="github", disable_numparse=True))


if __name__ == "__main__":
    main(*sys.argv[1:])
