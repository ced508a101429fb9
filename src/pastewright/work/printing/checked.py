"""Profiles and jobs that were checked."""

from rich.markup import escape

from pastewright.counting import counted
from pastewright.job.model import Job
from pastewright.plunger.bench import bench_of
from pastewright.profile.doubts import profile_warnings
from pastewright.profile.model import Profile
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems


def print_job(job: Job) -> None:
    """Print what a job asks for."""
    counts = (
        (len(job.not_fitted), "pattern of parts not fitted", "patterns of parts not fitted"),
        (len(job.rules), "dose rule", ""),
        (len(job.pads), "single pad", ""),
        (len(job.forms), "wish how to lay", "wishes how to lay"),
        (len(job.zones), "zone", ""),
    )
    asked = ", ".join(counted(number, noun, plural) for number, noun, plural in counts if number)
    side = f"{job.side} side; " if job.side is not None else ""
    console.print(f"[bold green]good[/] {side}{asked or 'asks for nothing'}")


def print_profile(profile: Profile) -> None:
    """Print what a bench can do."""
    bench = bench_of(profile)
    console.print(f"[bold green]good[/] {escape(profile.name)}")
    console.print(
        f"  one microstep lays {profile.microstep_ul * 1000:.3g} nL; ten make {profile.microstep_ul * 10:.4f} µL"
    )
    console.print(
        f"  paste flows above {bench.yield_kpa:.1f} kPa and rests at {bench.rest_kpa:.1f} kPa; the motor holds up to"
        f" {bench.limit_kpa:.0f} kPa"
    )
    console.print(f"  pushes and retracts at up to {bench.push_ul_s:.3g} µL/s")
    print_problems(profile_warnings(profile))
