"""Fuzzing guided by coverage: atheris keeps inputs that reach new lines of a reader and damages those further."""

from __future__ import annotations

import subprocess
import sys
import zlib

from tests.fuzz.arena import REPOSITORY, limited_memory, scratch_folder, verdict, warm_up
from tests.fuzz.campaign import FOUND
from tests.fuzz.seeds import seeds_of
from tests.fuzz.targets import TARGETS, Input

INPUT_LIMIT_BYTES = 100_000


def run_guided(target: str, seconds: int) -> int:
    """Fuzz one target in a process of its own; 0 if nothing was found, else the input is kept and 1 returned."""
    command = [sys.executable, "-P", "-m", "tests.fuzz.guided", target, str(seconds)]
    done = subprocess.run(command, check=False, cwd=REPOSITORY, env=None)
    print(f"{target}: {'nothing found' if done.returncode == 0 else 'FOUND, see above'}")
    return int(done.returncode != 0)


def main(arguments: list[str]) -> int:
    """In the process of its own."""
    import atheris  # noqa: PLC0415 - its library is 30 MB and only this needs it

    target, seconds = arguments[0], int(arguments[1])
    name = min(seeds_of(target))
    with scratch_folder() as folder:
        corpus = folder / "corpus"
        corpus.mkdir()
        for place, content in enumerate(seeds_of(target).values()):
            (corpus / f"{place}").write_bytes(content)
        with atheris.instrument_imports(
            include=["worker.reading", "shared.plan_reading", "api.inspections", "api.uploads"]
        ):
            warm_up(target, folder)

        def one_input(content: bytes) -> None:
            with limited_memory():
                outcome = verdict(TARGETS[target].read, Input(name, content), folder)
            if outcome.startswith("!"):
                keep_as = FOUND / target / f"guided-{zlib.crc32(content):08x}-{name}"
                keep_as.parent.mkdir(parents=True, exist_ok=True)
                keep_as.write_bytes(content)
                raise AssertionError(f"{outcome} kept as {keep_as}")

        options = [
            f"-max_total_time={seconds}",
            f"-max_len={INPUT_LIMIT_BYTES}",
            "-rss_limit_mb=0",
            "-verbosity=1",
            f"-artifact_prefix={folder}/",
        ]
        atheris.Setup([sys.argv[0], *options, str(corpus)], one_input)
        atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
