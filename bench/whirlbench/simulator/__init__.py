"""A stand that is not there: plant, sensors, faults, and a device that speaks the wire protocol.

From the truth outwards: ``stand.settings`` (every hidden number) -> ``propeller``, ``actuators``, ``shaft``, ``wind``,
``vibration``, joined in ``stand.plant`` -> ``stand.transducers`` (counts) -> ``device`` (bytes, then a port in real
time). ``runs`` goes from a ``schedule`` to arrays without wire and device; ``faults`` says what goes wrong, and when.
Nothing outside this package and the command line may need it to run.
"""
