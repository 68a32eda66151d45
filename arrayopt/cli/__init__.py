"""The command line: reads, calls the library, prints and writes; it holds no physics."""

from __future__ import annotations

import sys

import click

from arrayopt.cli.as_built import as_built
from arrayopt.cli.assembly import assembly
from arrayopt.cli.bench_sheet import bench_sheet
from arrayopt.cli.confirm import confirm
from arrayopt.cli.cut_list import cut_list
from arrayopt.cli.drawings import drawings
from arrayopt.cli.driver import driver_data
from arrayopt.cli.layouts import layouts
from arrayopt.cli.report import report
from arrayopt.cli.search import optimise, show
from arrayopt.cli.sort import sort
from arrayopt.cli.stray import stray
from arrayopt.cli.strength import strength
from arrayopt.cli.study import check, compare, evaluate, new
from arrayopt.cli.sweep import sweep
from arrayopt.cli.tolerance import tolerance
from arrayopt.errors import ArrayoptError


@click.group(
    context_settings={
        "help_option_names": ["-h", "--help"],
        "auto_envvar_prefix": "ARRAYOPT",
        "max_content_width": 100,
    }
)
@click.version_option(package_name="arrayopt")
def commands() -> None:
    """Optimise magnetic rotor arrays for light brushless joint motors.

    Every command takes a study file (TOML; - reads standard input). Begin with
    `arrayopt new FILE`.
    """


for command in (
    new, check, evaluate, compare, layouts, sweep, optimise, show, confirm, cut_list, drawings,
    assembly, strength, stray, tolerance, driver_data, bench_sheet, sort, as_built, report,
):  # fmt: skip
    commands.add_command(command)


def main() -> None:
    """Run the command line; every fault becomes a message and an exit code."""
    try:
        code = commands.main(prog_name="arrayopt", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("interrupted", err=True)
        code = 130
    except KeyboardInterrupt:
        click.echo("interrupted", err=True)
        code = 130
    except click.ClickException as fault:
        fault.show()
        code = fault.exit_code
    except ArrayoptError as fault:
        click.echo(str(fault), err=True)
        code = fault.exit_code
    sys.exit(code if isinstance(code, int) else 0)
