"""`makeweight profile` and the files that it writes, as people and the board use them."""

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.profiles import read_profile, write_profile
from makeweight.cli.console import REFUSED, USAGE
from makeweight.insight.profile import Profile
from makeweight.planning.learnt import Learnt
from tests.integration.test_cli import run

HEAD = "order_id,placed_at,customer,sku,brand,category,units,line_total"
ARGUMENTS = ["profile", "--lines", "orders.csv", "--zone", "Europe/Dublin", "--out", "profile.json"]
START = datetime(2026, 9, 7, tzinfo=UTC)  # a Monday; Dublin is an hour ahead


@pytest.fixture
def folder(tmp_path):
    """Four weeks: by day Inkmoor, for 40 and 60 in turns, and at 20:00 UTC (21:00 in Dublin) Quillon for 60."""
    rows = []
    for hour in range(4 * 168):
        at = START + timedelta(hours=hour)
        count = 6 if 8 <= at.hour < 18 else 0
        goods = [("Inkmoor", "60.00" if n % 2 else "40.00") for n in range(count)]
        goods += [("Quillon", "60.00")] * (30 if at.hour == 20 else 0)
        rows += [f"O{hour}-{n},{at.isoformat()},,S,{brand},,1,{total}" for n, (brand, total) in enumerate(goods)]
    (tmp_path / "orders.csv").write_text("\n".join([HEAD, *rows]) + "\n")
    return tmp_path


@pytest.mark.parametrize(
    ("options", "orders", "evening"),
    [
        ([], 28 * 90, True),
        (["--at-least", "5000"], 28 * 60, True),
        (["--at-least", "6000"], 28 * 60, True),
        (["--over", "5999"], 28 * 60, True),
        (["--brand", "Inkmoor"], 28 * 60, False),
        (["--brand", "Inkmoor", "--at-least", "5000"], 28 * 30, False),
        (["--brand", "Inkmoor", "--brand", "Quillon"], 28 * 90, True),
    ],
)
def test_it_learns_of_the_orders_that_count(folder, options, orders, evening):
    """By value and brand; hours are those of the zone, so 20:00 UTC is Dublin's 21:00."""
    done = run(folder, *ARGUMENTS, *options)
    assert done.exit_code == 0, done.stderr
    learnt = read_profile(folder / "profile.json")
    assert learnt.orders == orders
    assert done.stdout.startswith(f"{orders:,} orders in ")
    weights = learnt.profile.weights
    assert (weights[21] > 3) == evening
    assert min(weights[9:19]) > 10 * weights[3]
    # The window is from the first order's hour to the end of the last one's.
    assert (learnt.start, learnt.end) == (START + timedelta(hours=8), START + timedelta(days=27, hours=21))
    assert learnt.rate * learnt.profile.exposure_hours(learnt.start, learnt.end) == pytest.approx(orders)


def test_what_counts_nowhere_is_told(folder):
    """Nothing is written when nothing can be learnt."""
    done = run(folder, *ARGUMENTS, "--brand", "inkmoor")
    assert done.exit_code == USAGE
    assert "no order of the table counts" in done.stderr
    assert not (folder / "profile.json").exists()
    assert "not an IANA time zone" in run(folder, *ARGUMENTS[:-4], "--zone", "Dublin", "--out", "p.json").stderr
    assert "expected OURS=THEIRS" in run(folder, *ARGUMENTS, "--column", "brand").stderr


def test_wrong_rows_are_named_and_kept_out(folder):
    """As with a replay: the profile is of the others."""
    with (folder / "orders.csv").open("a") as file:
        file.write("X,yesterday,,S,Inkmoor,,1,60.00\n")
    done = run(folder, *ARGUMENTS)
    assert done.exit_code == REFUSED
    assert "orders.csv:2522: placed_at" in done.stderr
    assert read_profile(folder / "profile.json").orders == 28 * 90


def test_a_profile_that_was_used_is_written_as_one_that_was_not(tmp_path):
    """What a profile works out for itself is no member of the file."""
    profile = Profile.flat("UTC", 0.03)
    later = START + timedelta(weeks=2)
    profile.exposure_hours(START, later)
    path = tmp_path / "profile.json"
    write_profile(path, Learnt(profile, 7, START, later))
    assert set(json.loads(path.read_text())["profile"]) == {"zone", "weights", "day_variance"}
    assert read_profile(path).profile == profile


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda kept: kept["profile"].update(weights=[1.0] * 24), "expected 168"),
        (lambda kept: kept["profile"].update(zone="Dublin"), "not an IANA time zone"),
        (lambda kept: kept["profile"].update(weights=[2.0] * 168), "mean is 2"),
        (lambda kept: kept["profile"]["weights"].__setitem__(5, "many"), "profile.weights.5"),
        (lambda kept: kept.pop("profile"), "'profile' is missing"),
        (lambda kept: kept.update(start="2026-09-07T00:00:00"), "with an offset"),
        (lambda kept: kept.update(start=kept["end"]), "a start before an end"),
    ],
)
def test_a_file_that_is_no_profile(tmp_path, change, told):
    """What is wrong, where, and how to make it anew."""
    path = tmp_path / "profile.json"
    write_profile(path, Learnt(Profile.flat("UTC"), 7, START, START + timedelta(weeks=2)))
    kept = json.loads(path.read_text())
    change(kept)
    path.write_text(json.dumps(kept))
    with pytest.raises(FileErrors) as found:
        read_profile(path)
    assert told in str(found.value)
    assert "makeweight profile" in str(found.value)


@pytest.mark.parametrize("text", [None, "", "{", "[]"])
def test_a_file_that_cannot_be_read(tmp_path, text):
    """Missing, empty, torn, or something else."""
    path = tmp_path / "profile.json"
    if text is not None:
        path.write_text(text)
    with pytest.raises(FileErrors, match=r"profile\.json: (cannot be read|is no profile)"):
        read_profile(path)


def test_no_command_that_runs_for_long_loads_what_the_board_alone_needs():
    """SciPy is in the extra `board`: workers and the embedded service run where it isn't installed."""
    modules = "makeweight.cli.main, makeweight.bootstrap, makeweight.adapters.kafka.worker"
    look = f"import sys, {modules}; print('scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
