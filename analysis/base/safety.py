"""The usual cautions, in the order in which they matter. They defer to the maker's data, local codes and licensed practice."""

from __future__ import annotations

ALWAYS = (
    "The engine maker's data and local codes come first; where they ask for licensed practice, so does this.",
    "Ignition off and disconnected, fuel off, spark or glow plugs out.",
    "Turn by hand only, with a bar on the crank, never with the starter; stop at once at any unexpected resistance.",
    "Keep hands clear of belts, chains, gears and valves.",
    "Loaded valve springs store energy: proper compressor, eye protection, stand aside.",
)
STOP = (
    "Turn slowly to the piston stop, no force: it can bend a valve, crack a piston or slip the encoder.",
    "Remove the piston stop before turning the crank.",
)


def cautions(step: str = "") -> tuple[str, ...]:
    """The cautions before a step: "stop" adds those of the piston stop."""
    return (*ALWAYS, *STOP) if step == "stop" else ALWAYS
