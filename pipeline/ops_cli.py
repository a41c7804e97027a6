"""Commands of whoever runs the lake: ``lightoff runs``, ``housekeep``, ``restore`` and ``schedule``."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from pipeline import jobs
from pipeline.arrivals import say_missing, say_restored
from pipeline.console import say, thinned_line, watching
from pipeline.errors import UnrestoredError
from pipeline.exports.vins import KEY_NAME
from pipeline.lake import Lake
from pipeline.restore import restore
from pipeline.runs import Run, past_runs, run_lines, then
from pipeline.settings import Settings

_LOOK = 3
Open = Callable[[typer.Context], tuple[Settings, Lake]]
Recorded = Callable[[Settings, Lake, str], AbstractContextManager[Run]]


def add_operations(app: typer.Typer, console: Console, opened: Open, recorded: Recorded) -> None:
    """Add the commands to ``app``; ``opened`` gives settings and lake, ``recorded`` holds the lake for a run."""

    @app.command()
    def runs(
        context: typer.Context,
        last: Annotated[int, typer.Option(min=1, help="How many of the newest.")] = 20,
        again: Annotated[str, typer.Option(help="Make the list of this run once more, from the tables as they were.")] = "",
        out: Annotated[Path, typer.Option(help="Folder for a list made again.")] = Path("again"),
    ) -> None:
        """What ran, when, how long, with which outcome; --again makes the list of a run once more and compares it."""
        settings, lake = opened(context)
        if not again:
            for line in run_lines(past_runs(lake, last)):
                say(console, line)
            return
        moment = then(settings, lake, again)
        lake.begun_with(settings.time_zone, settings.buckets)
        if not moment.same_settings:
            say(console, "settings or facts files have changed since: the list may differ for that reason alone")
        made = jobs.list_again(settings, moment, out)
        differ = [name for name, digest in moment.files.items() if name in made and made[name] != digest]
        say(
            console,
            f"list of {moment.record['week_start']} in {out}: {len(made) - len(differ)} of {len(made)} files byte for byte "
            f"as on {moment.record['started_at']:%Y-%m-%d %H:%M} UTC" + (f"; different: {', '.join(differ)}" if differ else ""),
        )
        if differ:
            raise typer.Exit(_LOOK)

    @app.command()
    def housekeep(context: typer.Context) -> None:
        """Thin raw readings past `keep_readings_days` (if set), join small files of the lake, and remove what no version of
        the last `keep_versions_days` days needs.
        """
        settings, lake = opened(context)
        with recorded(settings, lake, "housekeep") as run:
            tidied, thinned = jobs.housekeep(settings, lake, run.started_at)
            jobs.note_thinned(run, thinned)
        if thinned.partitions:
            say(console, thinned_line(thinned))
        for each in tidied:
            if each.files_before != each.files_after or each.removed:
                say(
                    console,
                    f"{each.table}: {each.files_before} files before, {each.files_after} after, {each.removed} old ones removed",
                )
        say(console, f"{len(tidied)} tables; versions of the last {settings.keep_versions_days} days are kept")

    @app.command(name="restore")
    def restore_command(
        context: typer.Context,
        paths: Annotated[
            list[Path] | None, typer.Argument(help="Where exports are now, besides the folders of the settings.")
        ] = None,
        partly: Annotated[
            bool, typer.Option("--partly", help="Restore what there is; rows that no export gives any more are taken out.")
        ] = False,
    ) -> None:
        """Make damaged or lost data files of the readings again from their exports; all of it, or nothing is changed."""
        settings, lake = opened(context)
        with recorded(settings, lake, "restore") as run:
            try:
                with watching(console) as watch:
                    done = restore(settings, lake, paths or [], partly, watch.reading, os.environ.get(KEY_NAME))
            except UnrestoredError as error:
                say_missing(console, error)
                raise
            run.counts |= {"lost_files": done.lost.height, "restored": done.rows + done.back, "lost": done.lost_rows}
            run.look = bool(done.gaps)
        if say_restored(console, done):
            raise typer.Exit(_LOOK)

    @app.command()
    def schedule(
        context: typer.Context,
        show: Annotated[bool, typer.Option("--print", help="Only say what would run when.")] = False,
        pool: Annotated[
            str, typer.Option(help="Hand the flows to this work pool of the server of PREFECT_API_URL, and end.")
        ] = "",
    ) -> None:
        """Serve the nightly, weekly, monthly and housekeeping flows by the settings' clock, until stopped."""
        settings, _ = opened(context)
        for name, cron, what in jobs.schedules(settings):
            say(console, f"{name}  {cron}  {settings.time_zone}  {what}")
        if show:
            return
        from pipeline.flows import deploy_flows, serve_flows  # prefect takes a second to import

        if pool:
            for name in deploy_flows(settings, context.obj, pool):
                say(console, f"deployed: {name}")
        else:
            serve_flows(settings, context.obj)
