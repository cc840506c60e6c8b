"""Directory of the tables that kernels read: which word of the integer table says what.

A bench is one table of integers and one of floats, because few arguments keep kernels quick to
compile and to call. The first words of the integer table are the directory below: sizes, counts and
where each section starts, in the integer table (i), the float table (f), the state (s) or the work
vector (w). Kernels write ``it[at.N]``.
"""

(
    # Sizes and settings
    N,  # continuous states
    M,  # held inputs of the plant
    Q,  # outputs of nonlinear terms
    ASIDES,  # results of nonlinear terms that drive no state
    R,  # signals (linear forms of the states), padded to four with zeros
    METHOD,  # ETD4 or RK4
    TICKS_PER_SECOND,
    SLOTS,  # slots of the state
    BOUND,  # f: size beyond which a run does not go on as it does, of each continuous state
    # Gaps
    GAPS,
    GAP_INT,  # i: (length [tick], substeps) each
    GAP_STEP,  # f: length of a substep each [s]
    GAP_NOISE,  # f: square roots of the noise covariances
    GAP_NOISE_SIZE,
    # Nonlinear terms: per kind count, indices in z, values
    COULOMBS,
    COULOMB_INT,  # i: (read, write) each
    COULOMB_FLOAT,  # f: (torque [N m], smoothing [rad/s]) each
    WINDAGES,
    WINDAGE_INT,  # i: (read, write) each
    WINDAGE_FLOAT,  # f: [N m s^2/rad^2] each
    COUPLINGS,
    COUPLING_INT,  # i: (speed, id, iq, write d, write q) each
    COUPLING_FLOAT,  # f: (p·Lq/Ld, p·Ld/Lq) each
    RELUCTANCES,
    RELUCTANCE_INT,  # i: (id, iq, write) each
    RELUCTANCE_FLOAT,  # f: [N m/A^2] each
    RIPPLES,
    RIPPLE_INT,  # i: (reads, floats, then reads: q, d, angle, twists; write) each
    RIPPLE_FLOAT,  # f: (weight of q, of d·q, then per order: order, phase, constant, share of torque) each
    MISALIGNMENTS,
    MISALIGNMENT_INT,  # i: (reads, floats, reads: speed, angle, twist, error, forces, twists; writes) each
    MISALIGNMENT_FLOAT,  # f: (stiffness, two amplitudes [rad], phase, number of forces, order) each
    INVERTERS,
    INVERTER_INT,  # i: (voltage, id, iq, write loss) each
    INVERTER_FLOAT,  # f: (undervoltage [V], P0 [W], u [V], us/V0, r [ohm]) each
    LINKS,
    LINK_INT,  # i: (powers, kind of each, reads: voltage, then a and b of each; write current) each
    LINK_FLOAT,  # f: (undervoltage [V], coefficient of each power) each
    BRIDGES,
    BRIDGE_INT,  # i: (voltage, current, line, bridged, write voltage, that of the grid, drop) each
    BRIDGE_FLOAT,  # f: (resistance, inductance over fading, pre-charge, commutation) each [ohm]
    CHOPPERS,
    CHOPPER_INT,  # i: (share, voltage, write current, write power) each
    CHOPPER_FLOAT,  # f: [1/ohm] each
    SWITCHES,
    SWITCHES_INT,  # i: (power, line, voltage, current; write current, whole, loss, power) each
    SWITCHES_FLOAT,  # f: (1 over the line, linear, quadratic, narrow, least voltage, idle loss) each
    OWNS,
    OWN_INT,  # i: (address, number of reads, floats and writes, then reads, writes) each
    OWN_FLOAT,  # f: as the part has them
    # Meters and peaks
    METERS,
    METER_RUNS,  # meters one after the other whose powers are alike
    METER_RUN,  # i: (meters, powers of each, below 0 where not all are products) each
    POWER_INT,  # i: (kind, a, b) each
    POWER_FLOAT,  # f: coefficient each
    METER_SLOT,  # s: energies, then throughputs [J]
    PEAKS,
    PEAK_READ,  # i: index in z each
    PEAK_SLOT,  # s: (highest, lowest) each
    # Noise
    NOISES,
    NOISE_INT,  # i: (first filter state, order) each
    # Calendar and tasks
    INSTANTS,
    INSTANT_INT,  # i: (first entry of the due list, entries, gap that follows) each
    DUE,  # i: numbers of tasks
    TASK_INT,  # i: rows of TASK_WIDTH
    TASK_FLOAT,  # f: rows of TASK_WIDTH
    FILTER,  # f: (b0, b1, b2, a1, a2) each
    # Set-points
    SEGMENT_ROOM,  # rows of each profile
    SEGMENT_COUNT,  # i: rows in use, per profile; grows during a sequence
    SEGMENT_INT,  # i: rows of SEGMENT_INTS: start [tick], kind, then by kind
    SEGMENT_FLOAT,  # f: rows of SEGMENT_FLOATS
    TRACE_FIRST,  # i: first point of each trace, one more at the end
    TRACE_TIME,  # f: [s]
    TRACE_VALUE,  # f
    # Recorder
    CHANNELS,
    ENTRIES,
    ENTRY_INT,  # i: (channel; 0 z, 1 state or 2 profile; index) each
    ENTRY_FLOAT,  # f: weight each
    # Guards
    GUARDS,
    GUARD_INT,  # i: (index in z or slot, task or `ALWAYS` or `ELSEWHERE`) each
    GUARD_FLOAT,  # f: (level, centre from which it counts) each
    GUARD_SLOT,  # s: (1 while above, 1 while armed) each
    TRIP_SLOT,  # s: tick of the trip, negative while there is none; ticks of the ramp
    # Friction that sticks
    STICKS,  # bodies
    STICK_INT,  # i: (speed in z, entries of the torque on the body, index in z of each) each
    STICK_FLOAT,  # f: (largest torque on it at rest [N m], weight of each entry) each
    STICK_SLOT,  # s: 0 while the body stands, else the sign of its speed, each
    FINES,  # gaps of 1, 2, 4, ... ticks; 0 until they are needed
    FINE,  # i: number of each
    # Work vector
    Z,  # w: two z vectors in turn, at the start and at the end of a substep
    ZM,  # w: z in the middle of a substep
    ZC,  # w: z at the last stage
    Z_SIZE,
    BASE,  # w: states at the end, then in the middle of a substep, under constant outputs
    CHANGE,  # w: changes of the outputs at the stages; the reference stepper keeps slopes there
    SAVED,  # w: the state at the start of the last gap; plant states and inputs where no body sticks
    SUMS,  # w: powers of a meter at start, middle and end
    LOCALS,  # w: what a task has in hand
    ZEROS,  # w: zeros
    RECENT,  # w: the block of recent records
    WORDS,  # length of the directory
) = range(101)

ETD4, RK4 = 0, 1
"""Values of METHOD."""

ALWAYS, ELSEWHERE = -1, -2
"""In place of the task of a guard: it looks at a quantity of the plant all the time; kernels do not look."""

DIVERGED, WOKE, FAST = 0, 1, 2
"""Rows of the ends of the lanes: tick at which a state left the finite range, at which a guard changed, at
which a speed left the range that the steps are made for."""

LARGEST = 1e15
"""Largest plant state of a working bench, in SI units."""

TASK_WIDTH = 24
SEGMENT_INTS = 5
SEGMENT_FLOATS = 4

RECORD, DELIVER, SAMPLE, ENCODER, HOP, LOOP, LIMITER, PM_CONTROL, SERVO = range(9)
AVERAGE, EDGES, WRAP, PATH_MODEL, OWN, IDLE, FOLLOW, COMPARE, SEND, RECEIVE = range(9, 19)
"""The closed set of sampled tasks; their rows stand in `engine.rows`."""

FREE, MIDDLE, LAST, BOTH, END, SLOPE, SIGNAL = range(7)
"""Products: those of a step of `engine.matrices`, x' of the reference stepper, signals from states."""

BLOCK = 8
"""Records that go from the work vector to the recording together; a power of two."""
