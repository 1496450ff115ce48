"""``python -m tests.fuzz [TARGET] --seconds N``: search guided by coverage, from the corpus and the seeds.

Each target runs in a process of its own, since libFuzzer ends its process at a finding. An input that breaks a target's
contract is written into the target's folder of the corpus: name it after what it is, mend the decoder, keep both.
"""

import argparse
import importlib.util
import subprocess
import sys
import tempfile
from pathlib import Path

CORPUS = Path(__file__).parent / "corpus"
MISSING = "atheris is missing, which guides the search; install it with: pip install -e '.[fuzz]'"
MOST_BYTES = 4_096  # of an input: longer ones are slow, and the tests have them
MOST_MB = 2_048
MOST_SECONDS = 30  # for one input: nested YAML takes a second


def main() -> None:
    """Search one target, or all of them one after the other; exit code 1 if any input was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description="Fuzz the decoders, guided by coverage.")
    parser.add_argument("target", nargs="?", help="one decoder, such as order-binary; all of them if left out")
    parser.add_argument("--seconds", type=int, default=10, help="how long to search each (default: 10)")
    parser.add_argument("--learnt", type=Path, help=argparse.SUPPRESS)  # search in this process, which that will end
    asked = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        sys.exit(MISSING)
    if asked.learnt:
        _search(asked.target, asked.seconds, asked.learnt)
        return
    from tests.fuzz.seeds import SEEDS  # noqa: PLC0415 - where it is searched, the decoders must be imported watched

    if asked.target and asked.target not in SEEDS:
        parser.error(f"no target {asked.target!r}; expected one of {', '.join(SEEDS)}")
    found = [name for name in ([asked.target] if asked.target else SEEDS) if _finds(name, asked.seconds, SEEDS[name])]
    if found:
        sys.exit(f"found something in: {', '.join(found)}; the inputs are in {CORPUS}")


def _finds(name: str, seconds: int, seeds: list[bytes]) -> bool:
    """Search in a process of its own. What it learns on the way is thrown away; what it finds is kept."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        learnt, log = Path(folder) / "learnt", Path(folder) / "log"
        learnt.mkdir()
        for number, seed in enumerate(seeds):
            (learnt / f"seed-{number}").write_bytes(seed)
        command = [sys.executable, "-m", "tests.fuzz", name, "--seconds", str(seconds), "--learnt", str(learnt)]
        with log.open("wb") as told:
            failed = subprocess.run(command, check=False, stdout=told, stderr=subprocess.STDOUT).returncode != 0
        lines = log.read_text(encoding="utf-8", errors="replace").splitlines()
    # libFuzzer tells every new path; a person wants to know how far it came, and all of it where something was found.
    done = [line for line in lines if line.startswith("Done ")]
    sys.stdout.write("\n".join([f"{name}:", *lines] if failed or not done else [f"{name}: {done[-1]}"]) + "\n")
    sys.stdout.flush()
    return failed


def _search(name: str, seconds: int, learnt: Path) -> None:
    import atheris  # noqa: PLC0415 - optional, and it must come before what it watches

    # Our own modules alone: PyYAML is watched at a tenth of its speed, and its faults are not ours to find.
    with atheris.instrument_imports(include=["makeweight"]):
        from tests.fuzz.targets import TARGETS  # noqa: PLC0415 - as above

    target = TARGETS[name]

    def one(data: bytes) -> None:
        target(data)

    (CORPUS / name).mkdir(parents=True, exist_ok=True)
    options = [
        f"-max_total_time={seconds}",
        f"-max_len={MOST_BYTES}",
        f"-rss_limit_mb={MOST_MB}",
        f"-timeout={MOST_SECONDS}",
        f"-report_slow_units={MOST_SECONDS}",
        f"-artifact_prefix={CORPUS / name}/",
    ]
    atheris.Setup([sys.argv[0], *options, str(learnt), str(CORPUS / name)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
