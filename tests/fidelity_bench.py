"""Light benches for the tests of `shaftloop fidelity`, quick without compilation."""

__all__ = ["BARE", "RICH"]

_MACHINE = """\
part = "machine"
model = "torque_servo"
time_constant = "1 ms"
rate = "2 kHz"
max_torque = "100 N m"
max_speed = "3000 rpm"
"""

RICH = f"""\
title = "Two machines, a slow sensor"
unit = "drive"
orders = [60]

[[line]]
{_MACHINE}
name = "drive"
inertia = "0.04 kg m^2"
drag = {{ viscous = "0.01 N m s/rad" }}

[[line]]
part = "encoder"
name = "enc"
lines = 2048
sampling = "1 kHz"

[[line]]
part = "coupling"
name = "c1"
stiffness = "20 kN m/rad"
damping = "8 N m s/rad"

[[line]]
part = "torque_sensor"
name = "ts"
rated = "50 N m"
stiffness = "40 kN m/rad"
damping = "2 N m s/rad"
inertia_left = "0.002 kg m^2"
filter = {{ kind = "first_order", cutoff = "450 Hz" }}
sampling = "1 kHz"
latency = "1 ms"
resolution = "10 mN m"
noise_density = "5 mN m/rtHz"

[[line]]
{_MACHINE}
name = "load"
inertia = "0.06 kg m^2"

[[loop]]
name = "speed"
acts_on = "drive"
reads = "drive"
rate = "1 kHz"
kp = "2 N m s/rad"
ki = "20 N m/rad"
clamp = "90 N m"

[[loop]]
name = "torque"
acts_on = "load"
reads = "ts"
rate = "1 kHz"
kp = 0.1
ki = "60 1/s"
clamp = "90 N m"

[[sequence]]
do = "ramp"
loop = "speed"
to = "800 rpm"
over = "0.1 s"

[[sequence]]
do = "step"
loop = "torque"
to = "10 N m"

[[sequence]]
do = "hold"
time = "0.2 s"
"""

BARE = f"""\
title = "Two bodies"
unit = "drive"
duration = "10 ms"

[[line]]
{_MACHINE}
name = "drive"
inertia = "0.02 kg m^2"

[[line]]
part = "torque_sensor"
name = "ts"
rated = "50 N m"
stiffness = "9 kN m/rad"
damping = "2 N m s/rad"
sampling = "2 kHz"

[[line]]
part = "flywheel"
name = "disc"
inertia = "0.02 kg m^2"
"""
