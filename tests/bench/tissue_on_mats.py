"""Old tissue with drawn pieces on cutting mats; ``python -m tests.bench.tissue_on_mats --pictures FOLDER``.

The same invented bodice in every photo, of 12 megapixels; its mat's colour (light lines on dark, or dark on light), how
faded its ink is, creases, stains, tilt up to 14 degrees, roll and lens differ at random. The mat's grid shows through
the tissue and sets the scale. Scored as crowded sheets are.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from fixtures.scenarios.surroundings import MATS
from tests.bench.crowded_sheets import Case, run, totals, words_of


def case_of(seed: int) -> Case:
    """Return a random photo of tissue on a mat."""
    rng = np.random.default_rng([seed, 77])
    look = {
        "tilt_deg": float(rng.uniform(0, 14)),
        "azimuth_deg": float(rng.uniform(0, 360)),
        "roll_deg": float(rng.uniform(-8, 8)),
        "k1": float(rng.uniform(-0.08, 0.05)),
        "width_px": 4000,
        "height_px": 3000,
        "quality": 92,
    }
    build = {"fade": float(rng.choice([1.0, 0.8, 0.6])), "mat_colour": str(rng.choice(sorted(MATS)))}
    return Case(
        name=f"tissue {seed}", scenario="vintage", photo=True, seed=seed, reference="mat=1in", look=look, build=build
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.tissue_on_mats", description=__doc__)
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=0)
    args = parser.parse_args()
    args.pictures.mkdir(parents=True, exist_ok=True)
    results = []
    for seed in range(args.first, args.first + args.seeds):
        case = case_of(seed)
        results.append(run(case, args.pictures))
        print(words_of(case, results[-1]), flush=True)
    print(totals(results))


if __name__ == "__main__":
    main()
