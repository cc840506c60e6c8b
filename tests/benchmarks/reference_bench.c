/*
 * The reference bench, written by hand: the yardstick for speed and accuracy.
 *
 * Classical Runge-Kutta of order 4 with a fixed step between the task instants, scalar code, libm tanh, no energy
 * meters. Shares no code or table with shaftloop.
 *
 *   cc -O2 reference_bench.c -lm -o reference_bench
 *   reference_bench [--quantiser 0|1] [--all 0|1] [--step-us 25] [--duration 2] [--out FILE] [--repeat N]
 *
 * --out writes CSV: time, elastic twist torque of the measuring section and drive speed at every sensor tick from 0 to
 * the end, both included, before the tasks of that instant. With --all 1 every channel that the bench has is recorded,
 * not these two alone. --repeat N runs N times and prints the minimum and median processor time in ms per simulated
 * second; recording into memory is part of the timed run, writing the file is not.
 *
 * Signs: twist = left - right angle; machine torque pushes towards positive speed; the drive is left, the load right.
 */
#define _POSIX_C_SOURCE 199309L
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define PI 3.14159265358979323846

/* Line: inertia [kg m^2], stiffness [N m/rad], viscous damping [N m s/rad]. */
#define J0 0.02
#define J1 0.0012
#define J2 0.0012
#define J3 0.03
#define K_COUPLING 2.5e4
#define K_SENSOR 6e4
#define C_COUPLING 2.0
#define C_SENSOR 1.0

/* Machine: p [-], R [Ohm], L [H], psi [Wb]. */
#define POLE_PAIRS 4.0
#define R_PHASE 0.05
#define L_D 0.4e-3
#define L_Q 0.6e-3
#define PSI 0.12
#define TORQUE_FACTOR (1.5 * POLE_PAIRS)

/* Sensor: angular frequency that scales the Bessel low-pass [rad/s], clamp [N m], quantiser step [N m]. */
#define FILTER_W0 (2.0 * PI * 1200.0 / 1.36165412871613)
#define SENSOR_RANGE 500.0
#define QUANTUM (1000.0 / 65536.0)

/* Controllers: clamp [N m], voltage limit [V], current loop bandwidth [rad/s]. */
#define COMMAND_LIMIT 200.0
#define VOLTAGE_LIMIT 350.0
#define BANDWIDTH (2.0 * PI * 400.0)

/* Time: all periods are whole multiples of one tick of 25 us. */
#define TICK_S 25e-6
#define SENSOR_TICKS 4
#define INNER_TICKS 5
#define OUTER_TICKS 10
#define RAMP_TICKS 20000L /* 0.5 s */
#define PULSE_PERIOD_TICKS 8000L /* 200 ms */
#define PULSE_ON_TICKS 400L /* 10 ms */
#define PULSE_OFF_TICKS 4400L /* 110 ms */
#define MAX_DURATION_S 1000.0

/* Plant states: twists [rad], speeds [rad/s], currents [A], low-pass output [N m] and its derivative / w0 [N m]. */
enum { TWIST0, TWIST1, TWIST2, SPEED0, SPEED1, SPEED2, SPEED3, ID_DRIVE, IQ_DRIVE, ID_LOAD, IQ_LOAD, FILTER_Y, FILTER_DY, N };

typedef struct {
    double id_integral, iq_integral; /* [V] */
    double vd_next, vq_next;         /* computed, not yet applied [V] */
    double vd, vq;                   /* held on the machine [V] */
    double command_next, command;    /* torque command: computed, active [N m] */
} Drive;

typedef struct {
    double x[N];
    Drive drive, load;
    double sample[3]; /* the three samples before the newest, youngest first [N m] */
    double reading;   /* what the torque controller receives [N m] */
    double speed_integral, torque_integral; /* [N m] */
} Bench;

/* Channels of a record: true torque [N m] and drive speed [rad/s], or all. */
enum { FEW = 2, ALL = 13 };

static double clamp(double value, double limit)
{
    return value > limit ? limit : value < -limit ? -limit : value;
}

static inline double drag(double w)
{
    return 0.002 * w + 0.2 * tanh(w / 0.5);
}

/* Writes the derivatives of both currents, returns the air-gap torque. */
static inline double machine(double id, double iq, double w, double vd, double vq, double *did, double *diq)
{
    const double we = POLE_PAIRS * w;
    *did = (vd - R_PHASE * id + we * L_Q * iq) * (1.0 / L_D);
    *diq = (vq - R_PHASE * iq - we * (L_D * id + PSI)) * (1.0 / L_Q);
    return TORQUE_FACTOR * (PSI + (L_D - L_Q) * id) * iq;
}

static inline void plant(const double x[N], const Bench *b, double dx[N])
{
    const double rate0 = x[SPEED0] - x[SPEED1];
    const double rate1 = x[SPEED1] - x[SPEED2];
    const double rate2 = x[SPEED2] - x[SPEED3];
    const double elastic = K_SENSOR * x[TWIST1];
    const double shaft0 = K_COUPLING * x[TWIST0] + C_COUPLING * rate0;
    const double shaft1 = elastic + C_SENSOR * rate1;
    const double shaft2 = K_COUPLING * x[TWIST2] + C_COUPLING * rate2;
    const double torque_drive = machine(x[ID_DRIVE], x[IQ_DRIVE], x[SPEED0], b->drive.vd, b->drive.vq,
                                        &dx[ID_DRIVE], &dx[IQ_DRIVE]);
    const double torque_load = machine(x[ID_LOAD], x[IQ_LOAD], x[SPEED3], b->load.vd, b->load.vq,
                                       &dx[ID_LOAD], &dx[IQ_LOAD]);
    dx[TWIST0] = rate0;
    dx[TWIST1] = rate1;
    dx[TWIST2] = rate2;
    dx[SPEED0] = (torque_drive - drag(x[SPEED0]) - shaft0) * (1.0 / J0);
    dx[SPEED1] = (shaft0 - shaft1) * (1.0 / J1);
    dx[SPEED2] = (shaft1 - shaft2) * (1.0 / J2);
    dx[SPEED3] = (torque_load - drag(x[SPEED3]) + shaft2) * (1.0 / J3);
    dx[FILTER_Y] = FILTER_W0 * x[FILTER_DY];
    dx[FILTER_DY] = 3.0 * FILTER_W0 * (elastic - x[FILTER_Y] - x[FILTER_DY]);
}

static void rk4_step(Bench *b, double h)
{
    double k1[N], k2[N], k3[N], k4[N], y[N];
    double *x = b->x;
    plant(x, b, k1);
    for (int i = 0; i < N; i++) y[i] = x[i] + 0.5 * h * k1[i];
    plant(y, b, k2);
    for (int i = 0; i < N; i++) y[i] = x[i] + 0.5 * h * k2[i];
    plant(y, b, k3);
    for (int i = 0; i < N; i++) y[i] = x[i] + h * k3[i];
    plant(y, b, k4);
    for (int i = 0; i < N; i++) x[i] += h / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]);
}

static void sensor_task(Bench *b, int quantiser)
{
    double sample = clamp(b->x[FILTER_Y], SENSOR_RANGE);
    if (quantiser) sample = rint(sample / QUANTUM) * QUANTUM; /* default rounding mode: half to even */
    b->reading = b->sample[2];
    b->sample[2] = b->sample[1];
    b->sample[1] = b->sample[0];
    b->sample[0] = sample;
}

static double pi_control(double error, double kp, double ki, double *integral)
{
    const double ts = OUTER_TICKS * TICK_S;
    const double u = kp * error + *integral;
    const double limited = clamp(u, COMMAND_LIMIT);
    *integral += ts * (ki * error + ki / kp * (limited - u));
    return limited;
}

static double speed_ref(long tick)
{
    const double final_speed = 1500.0 * 2.0 * PI / 60.0;
    return tick < RAMP_TICKS ? final_speed * (double)tick / (double)RAMP_TICKS : final_speed;
}

static double torque_ref(long tick)
{
    const long phase = tick % PULSE_PERIOD_TICKS;
    return phase >= PULSE_ON_TICKS && phase < PULSE_OFF_TICKS ? 80.0 : 0.0;
}

static void outer_task(Bench *b, long tick)
{
    b->drive.command = b->drive.command_next;
    b->load.command = b->load.command_next;
    b->drive.command_next = pi_control(speed_ref(tick) - b->x[SPEED0], 7.0, 60.0, &b->speed_integral);
    b->load.command_next = -pi_control(torque_ref(tick) - b->reading, 0.40, 340.0, &b->torque_integral);
}

static void inner_task(Drive *m, double id, double iq, double w)
{
    const double ts = INNER_TICKS * TICK_S;
    const double we = POLE_PAIRS * w;
    m->vd = m->vd_next;
    m->vq = m->vq_next;
    const double ed = 0.0 - id;
    const double eq = m->command / (TORQUE_FACTOR * PSI) - iq;
    const double vd = BANDWIDTH * L_D * ed + m->id_integral - we * L_Q * iq;
    const double vq = BANDWIDTH * L_Q * eq + m->iq_integral + we * (L_D * id + PSI);
    const double length = sqrt(vd * vd + vq * vq);
    const double scale = length > VOLTAGE_LIMIT ? VOLTAGE_LIMIT / length : 1.0;
    m->vd_next = scale * vd;
    m->vq_next = scale * vq;
    m->id_integral += ts * (BANDWIDTH * R_PHASE * ed + R_PHASE / L_D * (m->vd_next - vd));
    m->iq_integral += ts * (BANDWIDTH * R_PHASE * eq + R_PHASE / L_Q * (m->vq_next - vq));
}

static double air_gap_torque(double id, double iq)
{
    return TORQUE_FACTOR * (PSI + (L_D - L_Q) * id) * iq;
}

/* Writes a record and returns where the next one goes. */
static double *record(const Bench *b, long tick, int channels, double *out)
{
    const double *x = b->x;
    *out++ = K_SENSOR * x[TWIST1];
    *out++ = x[SPEED0];
    if (channels == FEW) return out;
    *out++ = b->reading;
    *out++ = speed_ref(tick);
    *out++ = b->drive.command_next;
    *out++ = torque_ref(tick);
    *out++ = b->load.command_next;
    *out++ = air_gap_torque(x[ID_DRIVE], x[IQ_DRIVE]);
    *out++ = x[SPEED3];
    *out++ = air_gap_torque(x[ID_LOAD], x[IQ_LOAD]);
    *out++ = K_COUPLING * x[TWIST0] + C_COUPLING * (x[SPEED0] - x[SPEED1]);
    *out++ = K_SENSOR * x[TWIST1] + C_SENSOR * (x[SPEED1] - x[SPEED2]);
    *out++ = K_COUPLING * x[TWIST2] + C_COUPLING * (x[SPEED2] - x[SPEED3]);
    return out;
}

static void simulate(long ticks, int substeps, int quantiser, int channels, double *out)
{
    const double h = TICK_S / substeps;
    Bench b;
    memset(&b, 0, sizeof b);
    for (long tick = 0;; tick++) {
        if (tick % SENSOR_TICKS == 0) out = record(&b, tick, channels, out);
        if (tick == ticks) break;
        if (tick % SENSOR_TICKS == 0) sensor_task(&b, quantiser);
        if (tick % OUTER_TICKS == 0) outer_task(&b, tick);
        if (tick % INNER_TICKS == 0) {
            inner_task(&b.drive, b.x[ID_DRIVE], b.x[IQ_DRIVE], b.x[SPEED0]);
            inner_task(&b.load, b.x[ID_LOAD], b.x[IQ_LOAD], b.x[SPEED3]);
        }
        for (int i = 0; i < substeps; i++) rk4_step(&b, h);
    }
}

static double now_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return 1e3 * (double)t.tv_sec + 1e-6 * (double)t.tv_nsec;
}

static int ascending(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static int write_csv(const char *path, const double *records, long count, int channels)
{
    FILE *file = fopen(path, "w");
    if (!file) return 0;
    fprintf(file, "time [s],true_torque [N m],drive_speed [rad/s]\n");
    for (long i = 0; i < count; i++)
        fprintf(file, "%.17g,%.17g,%.17g\n", (double)i / 1e4, records[i * channels], records[i * channels + 1]);
    return fclose(file) == 0;
}

/* A number option within its range; leaves with code 2 otherwise. */
static double number(const char *name, const char *text, double low, double high)
{
    char *end;
    const double value = strtod(text, &end);
    if (end == text || *end || !(value >= low && value <= high)) {
        fprintf(stderr, "%s is \"%s\", give a number from %g to %g\n", name, text, low, high);
        exit(2);
    }
    return value;
}

int main(int argc, char **argv)
{
    int quantiser = 0, channels = FEW, repeat = 1;
    double step_us = 25.0, duration = 2.0;
    const char *path = NULL;
    for (int i = 1; i < argc; i += 2) {
        const char *name = argv[i], *value = i + 1 < argc ? argv[i + 1] : "";
        if (!strcmp(name, "--quantiser")) quantiser = number(name, value, 0, 1) > 0.5;
        else if (!strcmp(name, "--all")) channels = number(name, value, 0, 1) > 0.5 ? ALL : FEW;
        else if (!strcmp(name, "--step-us")) step_us = number(name, value, 0.01, 25);
        else if (!strcmp(name, "--duration")) duration = number(name, value, TICK_S, MAX_DURATION_S);
        else if (!strcmp(name, "--repeat")) repeat = (int)number(name, value, 1, 100000);
        else if (!strcmp(name, "--out")) path = value;
        else {
            fprintf(stderr, "unknown option %s, use --quantiser --all --step-us --duration --out --repeat\n", name);
            return 2;
        }
    }
    const long ticks = lround(duration / TICK_S);
    const int substeps = (int)ceil(25.0 / step_us - 1e-9);
    const long count = ticks / SENSOR_TICKS + 1;
    const size_t size = (size_t)count * (size_t)channels * sizeof(double);
    double *records = malloc(size);
    double *times = malloc((size_t)repeat * sizeof *times);
    if (!records || !times) {
        fprintf(stderr, "out of memory, shorten --duration or --repeat\n");
        return 3;
    }
    memset(records, 0, size); /* page faults belong to no run */
    for (int i = 0; i < repeat; i++) {
        const double start = now_ms();
        simulate(ticks, substeps, quantiser, channels, records);
        times[i] = (now_ms() - start) / ((double)ticks * TICK_S);
    }
    qsort(times, (size_t)repeat, sizeof *times, ascending);
    printf("min %.4f median %.4f ms per simulated second\n", times[0], times[repeat / 2]);
    if (path && !write_csv(path, records, count, channels)) {
        fprintf(stderr, "cannot write %s\n", path);
        return 3;
    }
    free(times);
    free(records);
    return 0;
}
