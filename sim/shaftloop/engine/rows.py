"""Rows of the tables of sampled tasks: what the integers and the floats of each kind are, by name.

A task is written as ``Task(..., LoopWords(reading=..., ...), LoopNumbers(kp=..., ...))`` and read in a kernel
as ``it[a + LOOP.reading]`` and ``p[f + LOOP_NUMBERS.kp]``. Column 0 of the integers is the kind. A word is a
slot of the state unless said otherwise. *Emit* is where a result goes: the tail of a delay line, or the
receiver itself. A *watch* is the first slot of limits that are looked after (`bench.parts.ratings`).

All names are public.
"""

from typing import Generic, NamedTuple, TypeVar

V = TypeVar("V")


class DeliverWords(NamedTuple):
    """A delay line, whose oldest value is handed over."""

    line: int
    depth: int
    wide: int  # values side by side
    receiver: int


class SampleWords(NamedTuple):
    """A sampler of a torque sensor."""

    seen: int  # index in z
    emit: int
    follower: int  # of the hysteresis


class AverageWords(NamedTuple):
    """A sampler behind a moving average."""

    mean: int  # since the last sample
    emit: int
    follower: int
    before: int  # first of the means before
    means: int  # their number


class SampleNumbers(NamedTuple, Generic[V]):
    """Errors of a reading, for SAMPLE and AVERAGE."""

    gain: V
    zero: V
    cubic: V
    rated: V
    range: V
    quantum: V
    reach: V  # of the hysteresis
    share: V  # of the hysteresis
    drift: V  # of the zero [unit of the reading per second]
    since: V  # tick from which on it drifts


class EdgesWords(NamedTuple):
    """An encoder: its first two words are all that ENCODER has."""

    angle: int
    emit: int
    memory: int = 0  # turn, angle left over, instant of the last edge, speed reported and way of that edge
    speed: int = 0


class EdgesNumbers(NamedTuple, Generic[V]):
    """An encoder: its first two numbers are all that ENCODER has."""

    edge: V  # [rad]
    rate: V  # [Hz]
    turn_error: V  # of the graduation [rad]
    turn_phase: V  # [rad]
    clock: V  # [Hz]


class HopWords(NamedTuple):
    """A bus hop."""

    source: int
    emit: int


class SendWords(NamedTuple):
    """A hop whose frames know when they arrive: the first three are all RECEIVE has."""

    queue: int  # of the frames under way
    receiver: int
    held: int  # stamp of the last frame that has arrived, its age, the largest so far [s]
    source: int = 0
    stamp: int = -1  # that the frame takes along, -1 for the tick of its transfer


class SendNumbers(NamedTuple, Generic[V]):
    """A bus hop whose frames know when they arrive."""

    transport: V  # [s]
    late: V  # how late its frames are, at most where that jitters [s]
    jitters: V  # 1 where it does
    seed: V
    number: V  # of the hop


class LoopWords(NamedTuple):
    """A loop; -1 where there is none of what is optional."""

    reading: int
    profile: int  # number of the set-point profile
    setpoint: int
    integral: int
    emit: int
    filter: int  # number of the first section
    filters: int  # sections for the reading
    memory: int  # of the first section
    anti_windup: int  # `control.pi`
    rate_limited: int  # 1 where the set-point is
    error: int
    output: int
    injected: int  # added to the output
    setpoint_filtered: int  # 1 where a filter follows
    derivative: int  # 1 of the reading, 2 of the error, 0 none
    damping: int  # torque of the active damping
    disturbance: int
    sent: int
    outer: int  # added to the set-point: the command of a position loop
    watch: int  # of the clamp


class LoopNumbers(NamedTuple, Generic[V]):
    """A loop."""

    kp: V
    ki: V
    period: V  # [s]
    clamp: V
    feedforward: V
    step: V  # most that the set-point moves at a tick
    sign: V
    share: V  # of the output that is passed on


class LimiterWords(NamedTuple):
    """A limiter of speed."""

    speed: int
    request: int
    upper: int  # integral, then activity, of the upper limit
    lower: int
    emit: int
    integral: int  # of the limited loop
    sent: int  # of the limited loop, -1 for none


class LimiterNumbers(NamedTuple, Generic[V]):
    """A limiter of speed."""

    kp: V
    ki: V
    period: V  # [s]
    clamp: V  # [N m]
    limit: V  # [rad/s]
    sign: V  # of the limited loop
    loop_kp: V  # of the limited loop
    loop_ki: V


class PmWords(NamedTuple):
    """The current control of a PM machine."""

    speed: int
    current_d: int
    current_q: int
    command: int
    integral_d: int
    integral_q: int
    emit: int  # both voltages
    mtpa: int  # 1 for least current per torque
    advance: int  # 1 where the voltage is turned ahead ideally
    watch: int  # of current, of voltage, of the voltage of the link where that is a state
    link: int  # its voltage, of which the limits of the voltage are shares then; -1 for none


class PmNumbers(NamedTuple, Generic[V]):
    """The current control of a PM machine."""

    bandwidth: V  # [rad/s]
    resistance: V
    inductance_d: V
    inductance_q: V
    flux_linkage: V
    period: V  # [s]
    most_voltage: V  # [V]
    current_limit: V  # [A]
    weaken_above: V  # [V]
    pole_pairs: V
    lowest: V  # undervoltage [V]


class ServoWords(NamedTuple):
    """The drive of a torque-servo machine."""

    speed: int
    command: int
    emit: int
    watch: int  # of torque, power, speed, of the voltage of the link where that is a state
    link: int  # its voltage, -1 for none


class ServoNumbers(NamedTuple, Generic[V]):
    """The envelope of a torque-servo machine."""

    torque: V  # [N m]
    power: V  # [W]
    speed: V  # [rad/s]
    lowest: V  # undervoltage [V]


class FollowWords(NamedTuple):
    """An input that follows a profile: factor·(1 + profile)."""

    profile: int
    result: int


class FollowNumbers(NamedTuple, Generic[V]):
    """An input that follows a profile."""

    factor: V


class CompareWords(NamedTuple):
    """A switch that is on from a high value until a low one."""

    value: int
    result: int
    energy: int  # that passes it, -1 where it keeps no account
    load: int  # energy before; of this pulse; of the largest; mean of a period; largest of that


class CompareNumbers(NamedTuple, Generic[V]):
    """A switch that is on from a high value until a low one."""

    low: V
    high: V
    smooth: V  # 1 where the result is in proportion between them
    flows: V  # energy that flows off in a period [J]
    lag: V  # share by which the mean follows


class WrapWords(NamedTuple):
    """The angle of the line."""

    angle: int


class WrapNumbers(NamedTuple, Generic[V]):
    """The angle of the line."""

    turn: V  # [rad]


class PathWords(NamedTuple):
    """The model of a path in an observer or a predictor."""

    entry: int
    sent: int
    line: int
    depth: int
    filter: int  # number of the first of two sections
    memory: int
    result: int
    added: int  # what is added to the result, -1 for nothing


class OwnWords(NamedTuple):
    """A task with an equation of its own (`kernels.own`); what is read, then what is written, follows."""

    address: int
    command: int  # of a machine, -1 for none
    reads: int  # number of slots
    writes: int
    watch: int  # of its limits, one behind the other
    watches: int  # number of limits


KIND = 0
"""Column of the kind among the integers of every task."""

DELIVER = DeliverWords(*range(1, 5))
SAMPLE, SAMPLE_NUMBERS = SampleWords(*range(1, 4)), SampleNumbers(*range(10))
AVERAGE = AverageWords(*range(1, 6))
EDGES, EDGES_NUMBERS = EdgesWords(*range(1, 5)), EdgesNumbers(*range(5))
HOP = HopWords(*range(1, 3))
SEND, SEND_NUMBERS = SendWords(*range(1, 6)), SendNumbers(*range(5))
LOOP, LOOP_NUMBERS = LoopWords(*range(1, 21)), LoopNumbers(*range(8))
LIMITER, LIMITER_NUMBERS = LimiterWords(*range(1, 8)), LimiterNumbers(*range(8))
PM, PM_NUMBERS = PmWords(*range(1, 12)), PmNumbers(*range(11))
SERVO, SERVO_NUMBERS = ServoWords(*range(1, 6)), ServoNumbers(*range(4))
FOLLOW, FOLLOW_NUMBERS = FollowWords(*range(1, 3)), FollowNumbers(0)
COMPARE, COMPARE_NUMBERS = CompareWords(*range(1, 5)), CompareNumbers(*range(5))
WRAP, WRAP_NUMBERS = WrapWords(1), WrapNumbers(0)
PATH = PathWords(*range(1, 9))
OWN = OwnWords(*range(1, 7))
