"""Makes a recorded day, its truth, or the configuration of the simulated shop.

python -m condmon.plant RECIPE -o DAY.jsonl.zst     the recording, and DAY.truth.toml beside it
python -m condmon.plant --configuration             the configuration, to the terminal
"""

import argparse
import io
import sys
from collections.abc import Sequence
from pathlib import Path

import orjson
import pyarrow as pa

from condmon.clock import rfc3339
from condmon.errors import CondmonError, UsageError
from condmon.plant import Plant, Recipe, configuration, load_recipe
from condmon.plant.recipe import FOREVER_US


def main(words: Sequence[str] | None = None) -> int:
    """Make what was asked for; 0 done, 2 wrong words or no recipe."""
    parser = argparse.ArgumentParser(
        prog="python -m condmon.plant",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("recipe", nargs="?", type=Path, help="a recipe, see replay/README.md")
    parser.add_argument("-o", "--output", type=Path, help="the recording, NAME.jsonl.zst")
    parser.add_argument(
        "--configuration", action="store_true", help="print the configuration of the simulated shop"
    )
    args = parser.parse_args(words)
    try:
        if args.configuration:
            print(configuration("127.0.0.1", 1883, Path("condmon.store")), end="")
        elif args.recipe is None or args.output is None:
            raise UsageError("a recipe and -o NAME.jsonl.zst are needed, or --configuration")
        else:
            _make(args.recipe, args.output)
    except CondmonError as error:
        print(f"condmon.plant: {error}", file=sys.stderr)
        return error.exit_code
    return 0


def _make(recipe_path: Path, output: Path) -> None:
    if not output.name.endswith(".jsonl.zst"):
        raise UsageError(f"{output}: the name of a recorded day ends in .jsonl.zst")
    recipe = load_recipe(recipe_path)
    plain = io.BytesIO()
    for line in lines(recipe):
        plain.write(line)
    try:
        output.write_bytes(pa.Codec("zstd", 19).compress(plain.getvalue(), asbytes=True))
        truth = output.with_name(output.name.removesuffix(".jsonl.zst") + ".truth.toml")
        truth.write_text(truth_text(recipe, recipe_path.name), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{output}: cannot be written ({error.strerror})") from error


def lines(recipe: Recipe) -> list[bytes]:
    """Make the recording of a recipe, one JSON line a message."""
    plant = Plant(recipe.seed, recipe.start_us, recipe)
    return [
        orjson.dumps(
            {
                "at": reading.at_us / 1e6,
                "topic": reading.topic,
                "payload": reading.payload,
                "qos": 1,
            }
        )
        + b"\n"
        for reading in plant.run(recipe.start_us + recipe.length_us)
    ]


def truth_text(recipe: Recipe, name: str) -> str:
    """Tell the truth about a recorded day as TOML: what was wrong, what must be raised when."""
    end_us = recipe.start_us + recipe.length_us
    rows = [
        f"# The truth about this day; made from recipes/{name} with the day itself.",
        "# Every [[must]] is raised in its time; [[may]] can follow from it; all else is silent.\n",
        f'title = "{recipe.title}"',
        f'recipe = "{name}"',
        f"seed = {recipe.seed}",
        f"from = {rfc3339(recipe.start_us)}",
        f"to = {rfc3339(end_us)}",
    ]
    for fault in recipe.faults:
        rows += [
            "\n[[fault]]",
            f'fault = "{fault.fault}"',
            f'machine = "{fault.machine}"',
            f"onset = {rfc3339(fault.onset_us)}",
        ]
        rows += [f"ended = {rfc3339(fault.until_us)}"] if fault.until_us < FOREVER_US else []
    for must in recipe.must:
        rows += [
            "\n[[must]]",
            f'machine = "{must.machine}"',
            f'check = "{must.check}"',
            f"after = {rfc3339(must.after_us)}",
            f"before = {rfc3339(must.before_us)}",
            f"most = {must.most}",
        ]
    for may in recipe.may:
        rows += ["\n[[may]]", f'machine = "{may.machine}"', f'check = "{may.check}"']
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    sys.exit(main())
