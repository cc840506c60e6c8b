"""Checks across entries: names, line, hops, loops and limits."""

import pytest

C1 = """\
part = "coupling"
name = "c1"
stiffness = "25 kN m/rad"
damping = "2 N m s/rad"
inertia_right = "0.001 kg m^2"
"""
BUS = '[[hop]]\nname = "bus"\ncarries = "ts"\nperiod = "500 us"\n'
ENCODER = '[[line]]\npart = "encoder"\nname = "enc"\nlines = 500\nsampling = "1 kHz"\n'
METER = '[[power_meter]]\nname = "pm"\non = "motor"\nsampling = "10 Hz"\nrange = "9 kW"\n'
LIMITER = """
[[loop]]
name = "guard"
acts_on = "load"
reads = "load"
rate = "4 kHz"
kp = "1 N m s/rad"
ki = "5 N m/rad"
clamp = "150 N m"
limiter_of = "torque"
limit_speed = "2000 rpm"
"""

ONE_ERROR = [
    ('name = "c2"', 'name = "c1"', 'line.c1.name: "c1" is the name of line.1 already; names are unique'),
    ('name = "overtorque"', 'name = "ts"', 'limit.ts.name: "ts" is the name of line.2 already'),
    (
        'unit = "drive"',
        'unit = "ts"',
        'unit: "ts" is a torque sensor; it must name a machine; known: drive, load',
    ),
    (
        'unit = "drive"',
        'unit = "driv"',
        'unit: "driv" is no name in this scenario; it must name a machine; nearest: drive; known:',
    ),
    (
        'inertia_right = "0.001 kg m^2"\n',
        "",
        "line.ts: needs an inertia between c1 and ts: give inertia_right to c1 or inertia_left to ts or",
    ),
    (
        'carries = "ts"',
        'carries = "c1"',
        'hop.bus.carries: "c1" is a coupling; it must name a torque sensor or machine or encoder or loop',
    ),
    (
        'carries = "ts"',
        'carries = "bus"',
        "hop.bus.carries: the hops bus -> bus carry each other in a circle",
    ),
    (
        'carries = "ts"',
        'carries = "torque"',
        "loop.torque.reads: bus carries the command of torque; a loop reads a torque or a speed",
    ),
    (
        'acts_on = "load"',
        'acts_on = "ts"',
        'loop.torque.acts_on: "ts" is a torque sensor; it must name a machine',
    ),
    (
        'reads = "bus"',
        'reads = "tss"',
        'loop.torque.reads: "tss" is no name in this scenario; it must name a torque',
    ),
    (
        'reads = "bus"',
        'reads = "speed"',
        'loop.torque.reads: "speed" is a loop; it must name a torque sensor',
    ),
    ("kp = 0.3", 'kp = "3 N m s/rad"', "kp of a loop that controls a torque must be a bare number"),
    (
        'ki = "40 N m/rad"',
        'ki = "40 1/s"',
        'loop.speed.ki: "40 1/s": ki of a loop that controls a speed must be in N m/rad',
    ),
    (
        "kp = 0.3",
        "kp = 0",
        'loop.torque.kp: back calculation divides by kp; set kp above 0 or anti_windup = "conditional"',
    ),
    (
        'kp = "5 N m s/rad"',
        'kp = "5 N m s/rad"\nfeedforward = 0.5',
        "loop.speed.feedforward: only a torque loop feeds",
    ),
    (
        'kp = "5 N m s/rad"',
        'kp = "5 N m s/rad"\nsetpoint_rate = "5 N m/s"',
        'loop.speed.setpoint_rate: "5 N m/s": the loop controls a speed: the unit N m/s does not fit',
    ),
    (
        "kp = 0.3",
        'kp = 0.3\nlimit_speed = "2000 rpm"',
        "loop.torque.limit_speed: only a limiter keeps it; add limiter_of",
    ),
    (
        "kp = 0.3",
        'kp = 0.3\nfilters = [{ kind = "low_pass", cutoff = "2 kHz" }]',
        "loop.torque.filters.0.cutoff: 2000 Hz must be below half the rate of the loop (2000 Hz)",
    ),
    (
        "kp = 0.3",
        'kp = 0.3\nfilters = [{ kind = "notch", frequency = "3 kHz" }]',
        "loop.torque.filters.0.frequency: 3000 Hz must be below half the rate",
    ),
    (
        "kp = 0.3",
        'kp = 0.3\nfilters = [{ kind = "lead_lag", zero = "100 Hz", pole = "3 kHz" }]',
        "loop.torque.filters.0.pole: 3000 Hz must be below half the rate",
    ),
    (
        'acts_on = "load"',
        'acts_on = "drive"',
        "loop.torque.acts_on: speed acts on drive already; remove one, or declare one the limiter of the "
        'other, e.g. limiter_of = "speed"',
    ),
    (
        'watches = "ts"',
        'watches = "c1"',
        "limit.overtorque.quantity: c1 has no reading; choose speed_difference",
    ),
    (
        'period = "500 us"',
        'period = "500 us"\n[[hop]]\nname = "up"\ncarries = "speed"\nperiod = "1 ms"\n'
        '[[hop]]\nname = "up2"\ncarries = "speed"\nperiod = "1 ms"',
        "hop.up2.carries: up carries the command of speed already; a command has one way to its machine",
    ),
    (
        'range = "400 N m"',
        'range = "400 N m"\nmoving_average = "0.2 ms"',
        "line.ts.moving_average: 0.0002 s are 1.6 samples at 8000 Hz; allowed: a whole number from 1 to "
        '10000, e.g. "0.25 ms"',
    ),
    (
        'range = "400 N m"',
        'range = "400 N m"\nmoving_average = "0 sample"',
        "line.ts.moving_average: ",
    ),
    (
        "[[hop]]",
        f'{ENCODER}method = "timing"\n\n[[hop]]',
        "line.enc.clock: timing needs the rate of its clock; add e.g. clock",
    ),
    (
        "[[hop]]",
        f'{ENCODER}clock = "1 MHz"\n\n[[hop]]',
        'line.enc.clock: 1e+06 Hz has no use in counting; add method = "timing" or leave it out',
    ),
    (
        "[[hop]]",
        f"{METER}\n[[hop]]",
        'power_meter.pm.on: "motor" is no name in this scenario; it must name a machine; known: drive, load',
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), ONE_ERROR)
def test_contradiction_is_named(bench, old: str, new: str, says: str) -> None:
    message = bench.message((old, new))
    assert says in message and message.startswith("bench.toml:")


LIMITER_ERRORS = [
    (
        'name = "guard"',
        'name = "joint"',
        'loop.joint.name: "joint" stands for all loops judged as one, as in margins.joint.ms; choose another',
    ),
    (
        'limiter_of = "torque"',
        'limiter_of = "torqe"',
        'loop.guard.limiter_of: "torqe" is no name in this scenario; it must name a loop; nearest: torque',
    ),
    (
        'limiter_of = "torque"',
        'limiter_of = "guard"',
        "guard is a limiter; name the loop that is to be limited",
    ),
    (
        'limiter_of = "torque"',
        'limiter_of = "speed"',
        "speed acts on drive; a limiter acts on the machine of its loop",
    ),
    (
        'rate = "4 kHz"',
        'rate = "2 kHz"',
        "loop.guard.rate: must equal the rate of torque: the two are one task",
    ),
    ('rate = "4 kHz"', 'rate = "4 kHz"\nphase = "10 us"', "loop.guard.phase: must equal the phase of torque"),
    (
        'limit_speed = "2000 rpm"\n',
        "",
        'loop.guard.limiter_of: needs the speed to keep; add e.g. limit_speed = "2000',
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), LIMITER_ERRORS)
def test_limiter_that_cannot_work(bench, old: str, new: str, says: str) -> None:
    assert says in bench.message(extra=LIMITER.replace(old, new))


def test_a_declared_limiter_shares_the_machine(bench) -> None:
    limiter = bench.read(extra=LIMITER).description.loop[2]
    assert (limiter.limiter_of, limiter.acts_on) == ("torque", "load")


def test_limiter_must_keep_a_speed(bench) -> None:
    text = LIMITER.replace('reads = "load"', 'reads = "ts"')
    text = text.replace("1 N m s/rad", "10 %").replace("5 N m/rad", "5 1/s")
    assert "a limiter keeps a speed; let it read a machine or an encoder" in bench.message(extra=text)


def test_a_loop_has_one_limiter(bench) -> None:
    extra = LIMITER + LIMITER.replace('"guard"', '"guard2"')
    assert "loop.guard2.limiter_of: torque has the limiter guard already" in bench.message(extra=extra)


def test_sensor_that_does_not_exist_is_told_with_those_that_do(bench) -> None:
    message = bench.message(
        (BUS, ""),
        ('reads = "bus"', 'reads = "tx"'),
        ('loop = "torque"', 'loop = "speed"'),
        ('to = "50 N m"', 'to = "50 rpm"'),
    )
    assert message.endswith("; known: drive, ts, load")


def test_no_hop_at_all_is_said(bench) -> None:
    messages = bench.messages(
        (C1, C1.replace("c1", "x")),
        ('acts_on = "load"', 'acts_on = "bus"'),
        *[('part = "machine"', 'part = "machin"')] * 2,
    )
    assert any('"bus" is a hop; it must name a machine; the scenario has no machine' in m for m in messages)


@pytest.mark.parametrize(
    ("edits", "says"),
    [
        (
            [
                (
                    'part = "coupling"\nname = "c2"\nstiffness = "25 kN m/rad"',
                    'part = "coupling"\nname = "c2"\nstiffness = "25 kN m/rad"\n'
                    '[[line]]\npart = "coupling"\nname = "c3"\n'
                    'stiffness = "1 kN m/rad"',
                )
            ],
            "line.c3: needs an inertia between c2 and c3: give inertia_right to c2 or inertia_left to c3",
        ),
        (
            [(C1, 'part = "shaft"\nname = "c1"\ndiameter = "20 mm"\nlength = "1 m"\ndensity = "0 kg/m^3"\n')],
            "line.ts: needs an inertia between c1 and ts: give inertia_left to ts or a flywheel there",
        ),
    ],
)
def test_two_springs_need_an_inertia_between(bench, edits: list[tuple[str, str]], says: str) -> None:
    assert says in bench.message(*edits)


def test_springs_at_the_ends_need_an_inertia_beyond(bench) -> None:
    first = '[[line]]\npart = "coupling"\nname = "left"\nstiffness = "1 kN m/rad"\n'
    last = '\n[[line]]\npart = "coupling"\nname = "right"\nstiffness = "1 kN m/rad"\n'
    messages = bench.messages(('duration = "1 s"\n', 'duration = "1 s"\n' + first), extra=last)
    assert (
        "line.left: needs an inertia left of left: give inertia_left to left or a flywheel there"
        in messages[0]
    )
    assert (
        "line.right: needs an inertia right of right: give inertia_right to right or a flywheel"
        in messages[1]
    )


MACHINE = (
    'part = "machine"\nmodel = "torque_servo"\nname = "m"\ninertia = "1 kg m^2"\ntime_constant = "2 ms"\n'
    'rate = "8 kHz"\nmax_torque = "200 N m"\nmax_speed = "3000 rpm"\n'
)


def _line(bench, *parts: str) -> tuple[str, ...]:
    text = 'title = "t"\nduration = "1 s"\nrecord = { rate = "1 kHz" }\n' + "".join(
        f"[[line]]\n{part}" for part in parts
    )
    return bench.messages((bench_text(bench), text))


def bench_text(bench) -> str:
    bench.read()
    return bench.path.read_text(encoding="utf-8")


def test_a_part_stands_what_it_is_rated_for(bench) -> None:
    rated = 'rated = "200 N m"'
    assert bench.read((rated, f'{rated}\nlimit = "200 N m"')).description is not None
    assert bench.message((rated, f'{rated}\nlimit = "150 N m"')).endswith(
        "limit: 150 N m is below what the part is rated for, 200 N m; allowed: at least that; raise limit or "
        "lower rated"
    )


def test_line_of_one_body_and_of_too_many(bench) -> None:
    one = 'title = "t"\nduration = "1 s"\nrecord = { rate = "1 kHz" }\n[[line]]\n' + MACHINE
    assert len(bench.read((bench_text(bench), one)).description.line) == 1
    springs = [
        f'part = "coupling"\nname = "c{n}"\nstiffness = "1 kN m/rad"\ninertia_right = "1 kg m^2"\n'
        for n in range(40)
    ]
    assert (
        "line: 41 bodies; allowed: at most 40; leave out springs that are stiff"
        in _line(bench, MACHINE, *springs)[0]
    )


def test_empty_line_and_line_without_a_machine(bench) -> None:
    assert "line: the line is empty; add [[line]] entries from left to right" in _line(bench)[0]
    flywheel = 'part = "flywheel"\nname = "f{}"\ninertia = "1 kg m^2"\n'
    coupling = 'part = "coupling"\nname = "c"\nstiffness = "1 kN m/rad"\n'
    messages = _line(bench, flywheel.format(1), coupling, flywheel.format(2))
    assert messages[0].endswith('line: the line has no machine; add a [[line]] entry with part = "machine"')


@pytest.mark.parametrize("text", ["line = 5\n", "[line]\n", "line = [5]\n"])
def test_line_that_is_no_list_of_tables(bench, text: str) -> None:
    messages = bench.messages((bench_text(bench), 'title = "t"\nduration = "1 s"\n' + text))
    assert any(
        "where a list is due; write [[line]] for each entry" in m or "5 where a table is due" in m
        for m in messages
    )


def test_neighbours_without_a_spring_are_one_body(bench) -> None:
    flywheel = '[[line]]\npart = "flywheel"\nname = "f"\ninertia = "1 kg m^2"\n'
    assert len(bench.read(("[[hop]]", flywheel + "[[hop]]")).description.line) == 6


def test_cutoff_above_half_the_sampling_rate_warns(bench) -> None:
    (warning,) = bench.read(('cutoff = "900 Hz"', 'cutoff = "5 kHz"')).warnings
    assert (
        f"bench.toml:{bench.line_of('5 kHz')}: line.ts.filter.cutoff: 5000 Hz is above half the sampling rate"
        in warning
    )


def test_limit_beyond_the_range_of_the_sensor_warns(bench) -> None:
    (warning,) = bench.read(('above = "300 N m"', 'above = "500 N m"')).warnings
    assert "limit.overtorque.above: 500 N m is never read: the range of ts ends at 400 N m" in warning
    assert not bench.read(('above = "300 N m"', 'above = "500 N m"\nquantity = "true_torque"')).warnings


def test_chain_of_hops_and_a_circle(bench) -> None:
    hop = '[[hop]]\nname = "{}"\ncarries = "{}"\nperiod = "1 ms"\n'
    assert bench.read(
        (BUS, BUS + hop.format("far", "bus")), ('reads = "bus"', 'reads = "far"')
    ).description.hop[1]
    messages = bench.messages((BUS, hop.format("bus", "far") + hop.format("far", "bus")))
    assert any("the hops bus -> far -> bus carry each other in a circle" in message for message in messages)


def test_speed_loop_may_read_a_machine_over_a_bus_and_command_over_one(bench) -> None:
    up = '[[hop]]\nname = "up"\ncarries = "drive"\nperiod = "1 ms"\n'
    hops = up + up.replace("up", "down").replace("drive", "speed")
    assert (
        bench.read(("[[hop]]", hops + "[[hop]]"), ('reads = "drive"', 'reads = "up"'))
        .description.loop[0]
        .reads
        == "up"
    )
