"""The job: engine, rig and specification as a person writes them in job.toml, validated, with units."""

from analysis.job.model import FILE_NAME, DurationSpec, Job, LobeSpec, Rig, Tolerance, load_job, parse_job

__all__ = ["FILE_NAME", "DurationSpec", "Job", "LobeSpec", "Rig", "Tolerance", "load_job", "parse_job"]
