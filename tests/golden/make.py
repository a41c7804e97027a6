"""Write the golden files anew: ``python -m tests.golden.make``. Read the difference before it is kept."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from tests.golden.sample import score_rows, whole_job

HERE = Path(__file__).parent


def main() -> None:
    """Run the weekly job on the sample and keep its list and its scores."""
    with tempfile.TemporaryDirectory() as folder:
        job = whole_job(Path(folder))
        shutil.copyfile(job.folder / "list.csv", HERE / "list.csv")
        score_rows(job).write_csv(HERE / "scores.csv")
        print(f"list of {job.folder.name}: list.csv and scores.csv are in {HERE}")


if __name__ == "__main__":
    main()
