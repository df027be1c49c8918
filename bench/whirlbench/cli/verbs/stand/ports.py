"""`whirlbench ports`: the serial ports of this computer, and what is plugged into them."""

from __future__ import annotations

import click

from whirlbench.cli.output import json_option, print_json


@click.command()
@json_option
def command(as_json: bool) -> None:
    """Lists the serial ports, with what is plugged in."""
    from whirlbench.link.port import list_ports

    ports = list_ports()
    if as_json:
        print_json({"ports": ports})
        return
    if not ports:
        click.echo("No serial port: nothing is plugged in. `--port simulated` needs none.")
        return
    width = max(len(port.path) for port in ports)
    for port in ports:
        what = port.description or "no description"
        identity = f"  [{port.usb_id}]" if port.usb_id else ""
        serial = f"  serial number {port.serial_number}" if port.serial_number else ""
        click.echo(f"{port.path:{width}}  {what}{identity}{serial}")
