/* The plain case of the hour loop with one step an hour (the arithmetic of numpy_loop.py, lithium), lanes one by one or eight in
 * lock step, so that the compiler can put them into vector registers: what walking lanes together would gain.
 * Built with -O3 -march=native -ffast-math -fopenmp-simd (vector exp comes from libmvec only so); both orders with the same flags. */
#include <math.h>
#include <stdint.h>

#define NODES 1024
#define DAY_FIELDS 8
#define MOST 8

enum { LOAD_WH, MISSED_WH, DARK_H, LOWEST_SOC, SUN_OFFERED_WH, SUN_USED_WH, FULL_H, ESSENTIAL_WH };

/* Columns of a lane, (fields, lanes). */
enum {
    SUN_SCALE, LOAD_SCALE, CAPACITY, RESISTANCE, PER_C, CHARGE_A, DISCHARGE_A, FLOOR, HYSTERESIS, TARGET, FULL, TAPER, TAPER_SOC,
    SELF, STANDBY, ABSORB_V, LOW_V, HIGH_V, LOSS_W_PER_C, COOLING, FIELDS
};

static inline double least(double a, double b) { return a < b ? a : b; }
static inline double most(double a, double b) { return a > b ? a : b; }

static inline __attribute__((always_inline)) void walk(
    const int wide, const double *restrict lane, int64_t lanes, int64_t first, const int64_t *restrict row,
    const double *restrict sun_w, const double *restrict load_w, const double *restrict essential_w,
    const double *restrict bay_c, const int64_t *restrict day_of, int64_t hours, int64_t days,
    const double *restrict ocv, const double *restrict charge_v, const double *restrict inverse_of,
    const double *restrict capacity_curve, double *restrict state, double *restrict out)
{
    /* state: (3, lanes) soc, cell_c, heat; out: (days, DAY_FIELDS, lanes) */
    double soc[MOST], cell_c[MOST], heat_w[MOST], dark[MOST], back[MOST], p[FIELDS][MOST], sum[DAY_FIELDS][MOST];
    for (int i = 0; i < wide; i++) {
        soc[i] = state[first + i];
        cell_c[i] = state[lanes + first + i];
        heat_w[i] = 0.0;
        dark[i] = 0.0;
        back[i] = 0.0;
        for (int f = 0; f < FIELDS; f++) p[f][i] = lane[f * lanes + first + i];
        for (int f = 0; f < DAY_FIELDS; f++) sum[f][i] = f == LOWEST_SOC ? 1.0 : 0.0;
    }
    (void)days;
    for (int64_t hour = 0; hour < hours; hour++) {
#pragma omp simd
        for (int i = 0; i < wide; i++) {
            const int64_t at = row[first + i] * hours + hour;
            const double sun_low = p[SUN_SCALE][i] * sun_w[3 * at], sun_high = p[SUN_SCALE][i] * sun_w[3 * at + 1];
            const double load = p[LOAD_SCALE][i] * load_w[at], essential = p[LOAD_SCALE][i] * essential_w[at];
            const double rate_c = least(most(cell_c[i], -30.0), 60.0);
            const double stiffness = exp(p[PER_C][i] * (25.0 - rate_c));
            const double resistance = p[RESISTANCE][i] * stiffness;
            const double position = soc[i] * NODES;
            int cell = (int)position;
            cell = cell < 0 ? 0 : cell > NODES - 1 ? NODES - 1 : cell;
            const double part = position - cell;
            const double rest_v = ocv[cell] + part * (ocv[cell + 1] - ocv[cell]);
            const double rise_v = charge_v[cell] + part * (charge_v[cell + 1] - charge_v[cell]);
            const double inverse = inverse_of[cell];
            const double guess = least(most((sun_low - load) / rest_v, -p[DISCHARGE_A][i]), p[CHARGE_A][i]);
            double volts = (guess > 0.0 ? rise_v : rest_v) + resistance * guess;
            volts = least(most(volts, p[LOW_V][i]), p[ABSORB_V][i]);
            double share = (volts - p[LOW_V][i]) / (p[HIGH_V][i] - p[LOW_V][i]);
            share = least(most(share, 0.0), 1.0);
            const double sun = sun_low + share * (sun_high - sun_low);
            const double where = (least(most(cell_c[i], -40.0), 60.0) + 40.0) / 5.0;
            int node = (int)where;
            node = node > 19 ? 19 : node;
            const double frac = capacity_curve[node] + (where - node) * (capacity_curve[node + 1] - capacity_curve[node]);
            const double floor_soc = 1.0 - frac * (1.0 - p[FLOOR][i]);
            const double held = dark[i] > 0.0 && soc[i] < back[i] ? 1.0 : 0.0;
            const double asked = held > 0.0 ? 0.0 : load + p[STANDBY][i];
            const double net = sun - asked;
            const double into = most(net, 0.0), away = most(-net, 0.0);
            double rate = least(2.0 * into / (rise_v + sqrt(rise_v * rise_v + 4.0 * resistance * into)), p[CHARGE_A][i]);
            rate /= p[CAPACITY][i] * inverse;
            const double taper = p[TAPER][i] / stiffness;
            double onset_h = rate > 0.0 ? (p[TAPER_SOC][i] - soc[i]) / most(rate, 1e-300) - 1.0 / taper : 1.0;
            onset_h = least(most(onset_h, 0.0), 1.0);
            const double onset = soc[i] + rate * onset_h;
            double end = p[TAPER_SOC][i] - (p[TAPER_SOC][i] - onset) * exp(-taper * (1.0 - onset_h));
            end = least(end, soc[i] + rate);
            end = least(end, most(p[TARGET][i], soc[i]));
            const double root = sqrt(most(rest_v * rest_v - 4.0 * resistance * away, 0.0));
            const double drawn = least((rest_v - root) / (2.0 * resistance), p[DISCHARGE_A][i]) / p[CAPACITY][i];
            const double lowest = least(floor_soc, soc[i]);
            const int drawing = net < 0.0;
            const double lit = drawing && soc[i] - drawn < lowest ? (soc[i] - lowest) / most(drawn, 1e-12) : 1.0;
            end = drawing ? most(soc[i] - drawn, lowest) : end;
            const int falls = lit < 1.0;
            dark[i] = falls ? 1.0 : held;
            back[i] = falls ? least(lowest + p[HYSTERESIS][i], p[TARGET][i]) : back[i];
            const double dark_h = held > 0.0 ? (essential > 0.0 ? 1.0 : 0.0) : 1.0 - lit;
            const double passed = (end - soc[i]) * p[CAPACITY][i] * inverse;
            const double charge_wh = passed * (rise_v + resistance * passed);
            const double used = least(sun, asked * lit + (drawing ? 0.0 : charge_wh));
            const double ohmic = drawn * p[CAPACITY][i];
            const double settle = bay_c[at] + heat_w[i] / p[LOSS_W_PER_C][i];
            cell_c[i] = settle + (cell_c[i] - settle) * p[COOLING][i];
            heat_w[i] = drawing ? resistance * ohmic * ohmic * lit : charge_wh - (end - soc[i]) * p[CAPACITY][i] * rest_v;
            const double kept = 1.0 - p[SELF][i] * exp(0.06931471805599453 * (rate_c - 25.0));
            const double low = least(least(soc[i], end), end * kept);
            soc[i] = end * kept;
            sum[LOAD_WH][i] += load;
            sum[MISSED_WH][i] += essential * dark_h;
            sum[DARK_H][i] += dark_h;
            sum[LOWEST_SOC][i] = least(sum[LOWEST_SOC][i], low);
            sum[SUN_OFFERED_WH][i] += p[SUN_SCALE][i] * sun_w[3 * at + 2];
            sum[SUN_USED_WH][i] += used;
            sum[FULL_H][i] += soc[i] >= p[FULL][i] - 1e-9 ? 1.0 : 0.0;
            sum[ESSENTIAL_WH][i] += essential;
        }
        if (hour + 1 == hours || day_of[hour + 1] != day_of[hour])
            for (int f = 0; f < DAY_FIELDS; f++)
                for (int i = 0; i < wide; i++) {
                    out[(day_of[hour] * DAY_FIELDS + f) * lanes + first + i] = sum[f][i];
                    sum[f][i] = f == LOWEST_SOC ? 1.0 : 0.0;
                }
    }
    for (int i = 0; i < wide; i++) {
        state[first + i] = soc[i];
        state[lanes + first + i] = cell_c[i];
    }
}

#define ARGUMENTS                                                                                                                  \
    const double *lane, int64_t lanes, const int64_t *row, const double *sun_w, const double *load_w, const double *essential_w,     \
        const double *bay_c, const int64_t *day_of, int64_t hours, int64_t days, const double *ocv, const double *charge_v,          \
        const double *inverse_of, const double *capacity_curve, double *state, double *out
#define HAND_ON(wide, first)                                                                                                       \
    walk(wide, lane, lanes, first, row, sun_w, load_w, essential_w, bay_c, day_of, hours, days, ocv, charge_v, inverse_of,           \
         capacity_curve, state, out)

void one_by_one(ARGUMENTS)
{
    for (int64_t first = 0; first < lanes; first++) HAND_ON(1, first);
}

/* The number of lanes must be a multiple of eight. */
void eight_together(ARGUMENTS)
{
    for (int64_t first = 0; first + 8 <= lanes; first += 8) HAND_ON(8, first);
}
