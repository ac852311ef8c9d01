"""`barbox boxes`: the boxes that are there."""

from __future__ import annotations

import click

from barbox import fold
from barbox.cli import options
from barbox.errors import BoxError
from barbox.link import find
from shared_proto import states


@click.command("boxes", short_help="The boxes that are there.")
@options.json_option
def command(as_json: bool) -> None:
    """List the boxes on USB serial ports, simulated boxes, and those on the ports of BARBOX_PORTS.

    A port where no box answers is listed with the reason. Exit code 3 when there is no box at all.
    """
    probes = options.run(_probe())
    for probe in probes:
        who = probe.identity
        if as_json:
            row = {
                "box": probe.candidate.url,
                "what": probe.candidate.what,
                "error": str(probe.error or "") or None,
            }
            options.echo_json(row | (who._asdict() if who else {}))
        elif who:
            rig = who.rig or "no rig applied"
            fold.say(
                f"{probe.candidate.url}  {rig}, board {who.board}, firmware {who.firmware}, serial {who.serial}, "
                f"voltages +/- {who.uncertainty_mv / 1000:.2f} V, started: {states.words(states.RESETS, who.reset)}"
            )
        else:
            fold.say(f"no box: {probe.error}")
    if not any(p.client for p in probes):
        raise BoxError(find.none_found([]))


async def _probe() -> list[find.Probe]:
    probes = await find.probe(find.candidates())
    for probe in probes:
        if probe.client:
            await probe.client.close()
    return probes
