"""The README's program for a batch system: its jobs, and a run on the workers that they start."""

import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from canalmorph.batch.cluster import ClusterEngine
from canalmorph.batch.outcomes import BatchOptions, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.pipeline import Settings
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_nifti

README = Path(__file__).parents[2] / "README.md"
#: Jobs of this machine in place of Slurm's: the same scripts, run by a shell.
LOCALLY = """
import os, pathlib, signal, subprocess
import dask_jobqueue, dask_jobqueue.local

class Job(dask_jobqueue.local.LocalJob):
    async def _submit_job(self, script_filename):
        script = pathlib.Path(script_filename).read_text()
        return str(subprocess.Popen(["bash", "-c", script], start_new_session=True).pid)

    @classmethod
    async def _close_job(cls, job_id, cancel_command):
        os.killpg(int(job_id), signal.SIGKILL)

class Jobs(dask_jobqueue.local.LocalCluster):
    job_cls = Job

    def __init__(self, **options):
        options.pop("walltime")
        super().__init__(**options)

dask_jobqueue.SLURMCluster = Jobs
"""


def read_program() -> str:
    (program,) = re.findall(
        r"```python\n(from dask_jobqueue import.*?)```", README.read_text("utf-8"), re.DOTALL
    )
    return program


def test_the_jobs_ask_for_what_a_worker_needs() -> None:
    jobqueue = pytest.importorskip("dask_jobqueue")
    (options,) = re.findall(r"SLURMCluster\((.*?)\) as", read_program(), re.DOTALL)
    with jobqueue.SLURMCluster(
        **eval(f"dict({options})"), scheduler_options={"dashboard_address": "127.0.0.1:0"}
    ) as cluster:
        script = cluster.job_script()
    for line in ("-n 1", "--cpus-per-task=1", "--mem=4G", "-t 08:00:00"):
        assert f"#SBATCH {line}" in script
    assert "export NUMBA_NUM_THREADS=1" in script
    assert "--nthreads 1 " in script
    assert "--nworkers 1 " in script or "--nworkers" not in script


@pytest.mark.slow
def test_the_program_for_slurm_starts_workers_that_measure(
    small_result: PhantomResult,
    tmp_path: Path,
    measure_elsewhere: MeasureScan,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pytest.importorskip("dask_jobqueue")
    from canalmorph.batch import case_files

    for name in ("write_page", "write_sheet"):  # as measures for other processes change them
        monkeypatch.setattr(case_files, name, getattr(case_files, name))
    scans = tmp_path / "scans"
    scans.mkdir()
    write_nifti(small_result, scans / "scan.nii")
    key = tmp_path / "key"
    key.write_bytes(b"sixteen bytes or more")
    program = tmp_path / "workers.py"
    program.write_text(LOCALLY + textwrap.dedent(read_program()).replace("jobs=20", "jobs=1"))
    measure = measure_elsewhere(tmp_path / "calls")
    tables = {}
    with subprocess.Popen(
        [sys.executable, program],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as jobs:
        assert jobs.stdout is not None
        address = jobs.stdout.readline().strip()
        for out, engine in (("there", ClusterEngine(scheduler=address)), ("here", None)):
            result = measure_inputs(
                [scans],
                tmp_path / out,
                Settings(),
                options=BatchOptions(key_file=key),
                engine=engine,
                measure=measure,
            )
            assert len(result.measured) == 1
            tables[out] = {path.name: path.read_bytes() for path in (tmp_path / out).glob("*.csv")}
        jobs.communicate("\n", timeout=60)
    assert jobs.returncode == 0
    assert tables["there"] == tables["here"]
