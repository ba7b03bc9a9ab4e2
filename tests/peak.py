"""Peak memory of a child process, as source that the child runs.

On Linux ``ru_maxrss`` keeps what the parent held when it forked, so a child of a large test process
would be charged for its parent; the high-water mark in /proc belongs to the child alone.
"""

PEAK_MB = """
def peak_mb():
    from pathlib import Path
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    import resource
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
"""
