"""``distsweep devices``: what can play and record."""

from __future__ import annotations

import json

import click


@click.command("devices")
@click.option("--json", "as_json", is_flag=True, help="Print a JSON list instead of a table.")
def command(as_json: bool) -> None:
    """List audio devices with their channels and usual rate."""
    from distsweep.capture.devices import open_backend

    devices = open_backend().devices()
    if as_json:
        click.echo(json.dumps([vars(device) for device in devices], indent=1))
        return
    if not devices:
        click.echo("no audio device was found: plug one in, or start the sound server", err=True)
    for device in devices:
        click.echo(
            f"{device.index:3d}  {device.name}  [{device.host}]"
            f"  {device.inputs} in, {device.outputs} out, {device.rate_hz:g} Hz"
        )
