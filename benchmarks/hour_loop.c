/*
 * The arithmetic of simulator/battery/kernel.py in plain C99: the same operations, in the same order, function by function.
 *
 * It exists only to be timed beside the compiled loop and to be compared with it bit by bit. Build it without contraction
 * (-ffp-contract=off), or a fused multiply-add rounds once where the other rounds twice. Names and comments are those of
 * kernel.py; what a line means is said there.
 */
#include <math.h>
#include <stdbool.h>
#include <stdint.h>

enum { NODES = 1024 };
enum { OCV, ENERGY, CHARGE_V, CHARGE_STORED, CHARGE_ENERGY, CHARGE_PASSED, INV_EFFICIENCY, CURVE_FIELDS };
enum { CAPACITY_NODES = 21, MAX_EVENTS = 20, LEVELS = 3 };
static const double CAPACITY_COLD_C = -40.0, CAPACITY_STEP_C = 5.0;
static const double TINY_H = 1e-12, TINY_SOC = 1e-12, TINY_W = 1e-9;

enum { SOC, WELL, CELL_C, OWN_HEAT_W, DARK, BACK_SOC, COLD, GENERATOR, GENERATOR_RUN_H, SHED, BY_FLOOR, AC_OFF, CHILL,
       STATE_SIZE };

enum {
    LOAD_WH, MISSED_DARK_WH, MISSED_SHED_WH, MISSED_LIMIT_WH, MISSED_ESSENTIAL_WH, MISSED_COMFORT_WH, MISSED_LUXURY_WH,
    ESSENTIAL_DARK_WH, SUN_OFFERED_WH, SUN_USED_WH, SPILLED_CONTROLLER_WH, SPILLED_FULL_WH, SPILLED_ACCEPTANCE_WH,
    SPILLED_LIMIT_WH, REFUSED_COLD_WH, REFUSED_HOT_WH, REFUSED_HIGH_WH, REFUSED_CHARGER_WH, SHORE_WH, DRIVE_WH,
    GENERATOR_WH, OTHER_WH, STANDBY_WH, HEATER_WH, CHARGED_WH,
    DISCHARGED_WH, LOSS_OHMIC_WH, LOSS_CHARGING_WH, LOSS_SELF_WH, CHARGED_AH, DISCHARGED_AH, SOC_END, SOC_LOWEST,
    CELL_END_C, BUS_V, LOWEST_V, DARK_H, DARK_AT_START, DARK_AT_END, LOCKED_H, LOW_V_H, INVERTER_OFF_H, CHILL_END, GENERATOR_H, FULL_H, SEGMENTS, RESIDUAL_WH, RESIDUAL_H,
    HOUR_FIELDS
};

enum {
    DAY_LOAD_WH, DAY_MISSED_WH, DAY_DARK_H, DAY_LOWEST_SOC, DAY_SUN_OFFERED_WH, DAY_SUN_USED_WH, DAY_FULL_H,
    DAY_ESSENTIAL_WH, DAY_FIELDS
};

enum { REST_W, REST_AC_W, PEAK_W, PEAK_AC_W, LOAD_FIELDS };
enum { SHORE_A, DRIVE_A, GENERATOR_SHARE, OTHER_W, AWAKE, SOURCE_FIELDS };

typedef enum { POWER_LIMITED, CURRENT_LIMITED, ACCEPTANCE_LIMITED } Regime;

/* One record of kernel.LANE. */
typedef struct {
    int64_t sun_row, bay_row, load_row, source_row, curve_row;
    double sun_scale, load_scale, capacity_ah, resistance_ohm, resistance_per_c, charge_limit_a,
        charge_cold_limit_a, charge_min_c, charge_resume_c, charge_full_c, charge_max_c, discharge_limit_a,
        discharge_min_c, discharge_max_c, floor_soc, reconnect_soc, target_soc, full_soc, taper_per_h,
        taper_soc, well_c, well_k_per_h, self_discharge_per_h, standby_w, absorb_v, absorb_v_per_c,
        absorb_cap_v, overvoltage_v, gassing_per_v, gassing_per_c, cutoff_v, charge_max_v, inverter_off_v,
        inverter_on_v, cabin_tau_h, step_h, sun_low_v, sun_high_v, heat_capacity_wh_per_c, loss_w_per_c,
        heater_w, heater_on_c, heater_off_c, heater_from_bank, generator_a, generator_start_soc,
        generator_stop_soc, generator_min_h, shed_soc[LEVELS], restore_soc[LEVELS];
} Lane;

/* Pointers in the order of kernel.Histories. */
typedef struct {
    const double *sun_w, *bay_c, *load_w, *peak_h, *source_a;
    const int64_t *day;
} Histories;

typedef const double (*Curve)[CURVE_FIELDS];

typedef struct { double energy, passed, slope, inverse, bend; } Terms;
typedef struct { double energy, volts, bend; } Drawn;
typedef struct { double decay, fade, ramp; } Well;
typedef struct { double time, end, energy, rise, moved; Regime regime; bool accepting; } Charged;
typedef struct { double time, end, energy; Regime regime; } Discharged;

/* Sizes by which the caller makes sure that both sides mean the same arrays. */
const int64_t layout[] = {
    sizeof(Lane), sizeof(Histories) / sizeof(void *), NODES, CURVE_FIELDS, CAPACITY_NODES, LEVELS,
    STATE_SIZE, HOUR_FIELDS, DAY_FIELDS, MAX_EVENTS
};

/* Python's min and max: the first wins a tie, and a NaN on the right is left alone. */
static inline double min(double a, double b) { return b < a ? b : a; }
static inline double max(double a, double b) { return b > a ? b : a; }

static inline int64_t cell_of(double position)
{
    int64_t cell = (int64_t)position;
    cell = 0 > cell ? 0 : cell;
    return NODES - 1 < cell ? NODES - 1 : cell;
}

static double ocv(Curve curve, double soc)
{
    double position = soc * NODES;
    int64_t cell = cell_of(position);
    return curve[cell][OCV] + (position - cell) * (curve[cell + 1][OCV] - curve[cell][OCV]);
}

static double charge_v(Curve curve, double soc)
{
    double position = soc * NODES;
    int64_t cell = cell_of(position);
    return curve[cell][CHARGE_V] + (position - cell) * (curve[cell + 1][CHARGE_V] - curve[cell][CHARGE_V]);
}

static double energy_at(Curve curve, double soc)
{
    double position = soc * NODES;
    int64_t cell = cell_of(position);
    double part = position - cell;
    double low = curve[cell][OCV];
    return curve[cell][ENERGY] + part * (low + 0.5 * part * (curve[cell + 1][OCV] - low)) / NODES;
}

static Drawn discharge_terms(Curve curve, double soc)
{
    double position = soc * NODES;
    int64_t cell = cell_of(position);
    double part = position - cell;
    double low = curve[cell][OCV];
    double slope = curve[cell + 1][OCV] - low;
    return (Drawn){curve[cell][ENERGY] + part * (low + 0.5 * part * slope) / NODES, low + part * slope,
                   (0.5 * NODES) * slope};
}

static Terms charge_terms(Curve curve, double soc, double gas)
{
    double position = soc * NODES;
    int64_t cell = cell_of(position);
    double part = position - cell;
    double inverse = 1.0 + gas * (curve[cell][INV_EFFICIENCY] - 1.0);
    double low = curve[cell][CHARGE_V];
    double slope = curve[cell + 1][CHARGE_V] - low;
    double stored = curve[cell][CHARGE_STORED];
    double start = (double)cell / NODES;
    Terms terms;
    terms.energy =
        stored + gas * (curve[cell][CHARGE_ENERGY] - stored) + inverse * part * (low + 0.5 * part * slope) / NODES;
    terms.passed = start + gas * (curve[cell][CHARGE_PASSED] - start) + inverse * part / NODES;
    terms.slope = inverse * (low + part * slope);
    terms.inverse = inverse;
    terms.bend = (0.5 * NODES) * (inverse * slope);
    return terms;
}

static double invert_passed(Curve curve, double soc, double passed, double upper, double gas)
{
    Terms now = charge_terms(curve, soc, gas);
    double guess = min(soc + (passed - now.passed) / now.inverse, upper);
    for (int step = 0; step < 60; step++) {
        Terms here = charge_terms(curve, guess, gas);
        double change = (here.passed - passed) / here.inverse;
        guess -= change;
        if (fabs(change) < 1e-15)
            break;
    }
    return min(max(guess, soc), upper);
}

static double charging_rate(Curve curve, double soc, double power, double limit, double resistance, double gas)
{
    Terms terms = charge_terms(curve, soc, gas);
    double volts = terms.slope / terms.inverse;
    double current = 2.0 * power / (volts + sqrt(volts * volts + 4.0 * resistance * power));
    return min(current, limit) / terms.inverse;
}

static double absorption_onset(Curve curve, double end, double power, double limit, double resistance, double taper,
                               double taper_soc, double gas)
{
    double onset = end;
    for (int step = 0; step < 60; step++) {
        double before = onset;
        onset = taper_soc - charging_rate(curve, onset, power, limit, resistance, gas) / taper;
        if (before - onset < 1e-12)
            break;
    }
    return onset;
}

static Charged charge_segment(Curve curve, double soc, double upper, double power, double limit, double resistance,
                              double taper, double taper_soc, bool accepting, double gas, double dt)
{
    Terms from = charge_terms(curve, soc, gas);
    Terms to;
    double time, end, energy, rise, moved;
    double falling = taper * (taper_soc - soc);
    if (taper > 0.0
        && (accepting
            || (power >= falling * from.slope && charging_rate(curve, soc, power, limit, resistance, gas) >= falling))) {
        double distance = taper_soc - soc;
        end = taper_soc - distance * exp(-taper * dt);
        time = dt;
        if (end >= upper) {
            end = upper;
            if (taper_soc > upper)
                time = min(log(distance / (taper_soc - upper)) / taper, dt);
        }
        to = charge_terms(curve, end, gas);
        moved = to.passed - from.passed;
        if (time <= 0.0)
            return (Charged){0.0, end, 0.0, 0.0, 0.0, ACCEPTANCE_LIMITED, true};
        rise = to.energy - from.energy;
        energy = rise + resistance * moved * moved / time;
        if (energy <= power * time && moved <= limit * time * (1.0 + 1e-12))
            return (Charged){time, end, energy, rise, moved, ACCEPTANCE_LIMITED, true};
    }
    time = dt;
    double wanted = power * dt;
    double per_h = resistance / dt;
    double step = wanted / from.slope;
    double pull = per_h * from.inverse * from.inverse;
    end = min(soc + step - pull * step * step / (from.slope + 2.0 * pull * step), upper);
    double low = soc, high = upper;
    for (int round = 0; round < 60; round++) {
        to = charge_terms(curve, end, gas);
        moved = to.passed - from.passed;
        rise = to.energy - from.energy;
        double excess = rise + per_h * moved * moved - wanted;
        if (excess > 0.0) {
            high = end;
        } else if (end >= upper) {
            time = min(dt, (rise + sqrt(rise * rise + 4.0 * power * resistance * moved * moved)) / (2.0 * power));
            break;
        } else {
            low = end;
        }
        double steep = to.slope + 2.0 * per_h * moved * to.inverse;
        double bend = to.bend + per_h * to.inverse * to.inverse;
        double change = 2.0 * excess / (steep + sqrt(max(steep * steep - 4.0 * bend * excess, 0.0)));
        double root = end - change;
        if (root >= upper && high == upper) {
            end = upper;
        } else if (low <= root && root <= high) {
            bool found = cell_of(root * NODES) == cell_of(end * NODES) || fabs(change) < 1e-15;
            end = root;
            if (found)
                break;
        } else {
            end = 0.5 * (low + high);
        }
    }
    to = charge_terms(curve, end, gas);
    moved = to.passed - from.passed;
    energy = power * time;
    Regime regime = POWER_LIMITED;
    if (moved > limit * time) {
        regime = CURRENT_LIMITED;
        to = charge_terms(curve, upper, gas);
        time = limit > 0.0 ? (to.passed - from.passed) / limit : INFINITY;
        if (time <= dt) {
            end = upper;
        } else {
            time = dt;
            end = invert_passed(curve, soc, from.passed + limit * dt, upper, gas);
        }
        to = charge_terms(curve, end, gas);
        moved = to.passed - from.passed;
        energy = time > 0.0 ? to.energy - from.energy + resistance * moved * moved / time : 0.0;
    }
    falling = taper * (taper_soc - end) * (1.0 + 1e-12);
    if (taper > 0.0 && !accepting && power > falling * to.slope
        && charging_rate(curve, end, power, limit, resistance, gas) > falling) {
        double onset = max(absorption_onset(curve, end, power, limit, resistance, taper, taper_soc, gas), soc);
        if (onset < end) {
            to = charge_terms(curve, onset, gas);
            rise = to.energy - from.energy;
            moved = to.passed - from.passed;
            time = (rise + sqrt(rise * rise + 4.0 * power * resistance * moved * moved)) / (2.0 * power);
            energy = power * time;
            regime = POWER_LIMITED;
            if (moved > limit * time) {
                time = moved / limit;
                energy = rise + resistance * moved * moved / time;
                regime = CURRENT_LIMITED;
            }
            return (Charged){min(time, dt), onset, energy, rise, moved, regime, true};
        }
    }
    return (Charged){time, end, energy, to.energy - from.energy, moved, regime, false};
}

static Discharged discharge_segment(Curve curve, double soc, double energy_0, double lower, double power, double limit,
                                    double resistance, double dt)
{
    double bound = max(lower, soc - limit * dt);
    double wanted = power * dt;
    double per_h = resistance / dt;
    double volts = ocv(curve, soc);
    double step = wanted / volts;
    double slack = volts - 2.0 * per_h * step;
    double end = bound;
    if (slack > 0.0)
        end = max(soc - step - per_h * step * step / slack, bound);
    double low = bound, high = soc;
    double drop = 0.0;
    double moved = 0.0;
    bool reached = false;
    for (int round = 0; round < 60; round++) {
        Drawn to = discharge_terms(curve, end);
        drop = energy_0 - to.energy;
        moved = soc - end;
        double excess = drop - per_h * moved * moved - wanted;
        if (excess >= 0.0) {
            low = end;
        } else if (end <= bound) {
            reached = true;
            break;
        } else {
            high = end;
        }
        double steep = to.volts - 2.0 * per_h * moved;
        double change = 2.0 * excess / (steep + sqrt(max(steep * steep + 4.0 * (to.bend + per_h) * excess, 0.0)));
        double root = end + change;
        if (root <= bound && low == bound) {
            if (end == bound)
                break;
            end = bound;
        } else if (low <= root && root <= high) {
            bool found = cell_of(root * NODES) == cell_of(end * NODES) || fabs(change) < 1e-15;
            end = root;
            if (found)
                break;
        } else {
            end = 0.5 * (low + high);
        }
    }
    if (!reached)
        return (Discharged){dt, end, wanted, POWER_LIMITED};
    if (bound > lower)
        return (Discharged){dt, bound, drop - resistance * moved * moved / dt, CURRENT_LIMITED};
    double root = drop * drop - 4.0 * power * resistance * moved * moved;
    if (root >= 0.0) {
        double time = (drop + sqrt(root)) / (2.0 * power);
        if (moved <= limit * time * (1.0 + 1e-12))
            return (Discharged){min(time, dt), lower, power * min(time, dt), POWER_LIMITED};
    }
    double time = limit > 0.0 ? min(moved / limit, dt) : dt;
    double energy = time > 0.0 ? drop - resistance * moved * moved / time : 0.0;
    return (Discharged){time, lower, energy, CURRENT_LIMITED};
}

static Well well_terms(double k, double dt)
{
    double decay = exp(-k * dt);
    return (Well){decay, (1.0 - decay) / k, (k * dt - 1.0 + decay) / k};
}

static double well_next(double soc, double well, double rate, double c, double k, Well terms)
{
    return well * terms.decay + (soc * k * c + rate) * terms.fade + rate * c * terms.ramp;
}

static double well_after(double soc, double well, double rate, double c, double k, double dt)
{
    return well_next(soc, well, rate, c, k, well_terms(k, dt));
}

static double well_empty_time(double soc, double well, double rate, double c, double k, double dt)
{
    double low = 0.0, high = dt;
    double time = 0.5 * dt;
    for (int step = 0; step < 80; step++) {
        double value = well_after(soc, well, rate, c, k, time);
        if (value > 0.0)
            low = time;
        else
            high = time;
        double slope = rate - k * (value - c * (soc + rate * time));
        double candidate = slope != 0.0 ? time - value / slope : 0.5 * (low + high);
        if (!(low < candidate && candidate < high))
            candidate = 0.5 * (low + high);
        double change = fabs(candidate - time);
        time = candidate;
        if (change < 1e-14)
            break;
    }
    return time;
}

static double capacity_frac(const double *capacity, double cell_c)
{
    double position = (cell_c - CAPACITY_COLD_C) / CAPACITY_STEP_C;
    int64_t node = (int64_t)position;
    node = 0 > node ? 0 : node;
    node = CAPACITY_NODES - 2 < node ? CAPACITY_NODES - 2 : node;
    double part = min(max(position - node, 0.0), 1.0);
    return capacity[node] + part * (capacity[node + 1] - capacity[node]);
}

static double loaded_v(double rest_v, double power, double resistance, double limit_a)
{
    double root = rest_v * rest_v - 4.0 * resistance * power;
    return max(0.5 * (rest_v + sqrt(max(root, 0.0))), rest_v - resistance * limit_a);
}

static double soc_at(Curve curve, int column, double volts, double low, double high)
{
    for (int step = 0; step < 40; step++) {
        double middle = 0.5 * (low + high);
        double position = middle * NODES;
        int64_t cell = cell_of(position);
        double here = curve[cell][column] + (position - cell) * (curve[cell + 1][column] - curve[cell][column]);
        if (here < volts)
            low = middle;
        else
            high = middle;
        if (high - low < 1e-9)
            break;
    }
    return high;
}

static bool inverter_lets_go(const Lane *lane, Curve curve, double soc, double rest_v, double draw_w, double through_w,
                             double resistance, double limit_a, double current, bool was_off, bool begins)
{
    if (was_off && begins) {
        double without_w = draw_w - through_w;
        double bus_v;
        if (without_w > -TINY_W)
            bus_v = loaded_v(rest_v, max(without_w, 0.0), resistance, limit_a);
        else
            bus_v = max(charge_v(curve, soc), rest_v) + resistance * min(-without_w / rest_v, max(current, 0.0));
        if (bus_v < lane->inverter_on_v)
            return true;
        return draw_w > TINY_W && loaded_v(rest_v, draw_w, resistance, limit_a) < lane->inverter_off_v;
    }
    if (lane->inverter_off_v > 0.0 && through_w > 0.0 && draw_w > TINY_W)
        return was_off || loaded_v(rest_v, draw_w, resistance, limit_a) < lane->inverter_off_v;
    return was_off;
}

static double volt_floor(Curve curve, double soc, double rest_v, double supply_w, double resistance, double limit_a,
                         double cutoff_v, double charge_floor, bool two_wells)
{
    double floor = charge_floor;
    if (supply_w > TINY_W) {
        double amperes = min(supply_w / cutoff_v, limit_a);
        double least_v = cutoff_v + resistance * amperes;
        if (two_wells && rest_v < least_v)
            floor = max(floor, soc);
        if (ocv(curve, floor) < least_v)
            floor = soc_at(curve, OCV, least_v, floor, 1.0);
    }
    return floor;
}

typedef struct { double taper, gas; } Charging;

static Charging charging_terms(const Lane *lane, double warmer_v, double rate_c, double stiffness)
{
    double taper = lane->taper_per_h;
    if (taper > 0.0)
        taper *= max(1.0 + warmer_v / lane->overvoltage_v, 0.05) / stiffness;
    double gas = 1.0;
    if (lane->gassing_per_c != 0.0)
        gas = min(exp(lane->gassing_per_v * warmer_v + lane->gassing_per_c * (rate_c - 25.0)), 4.0);
    return (Charging){taper, gas};
}

static double book_chargers(double *book, double rest_wh, double other_w, double drive_w, double shore_w,
                            double generator_w, double time, int spill_field)
{
    double other_wh = min(other_w * time, max(rest_wh, 0.0));
    rest_wh -= other_wh;
    double drive_wh = min(drive_w * time, max(rest_wh, 0.0));
    rest_wh -= drive_wh;
    double shore_wh = min(shore_w * time, max(rest_wh, 0.0));
    rest_wh -= shore_wh;
    double generator_wh = min(generator_w * time, max(rest_wh, 0.0));
    book[OTHER_WH] += other_wh;
    book[DRIVE_WH] += drive_wh;
    book[SHORE_WH] += shore_wh;
    book[GENERATOR_WH] += generator_wh;
    if (spill_field == REFUSED_COLD_WH || spill_field == REFUSED_HOT_WH || spill_field == REFUSED_HIGH_WH) {
        double offered_wh = (other_w + drive_w + shore_w + generator_w) * time;
        book[REFUSED_CHARGER_WH] += offered_wh - other_wh - drive_wh - shore_wh - generator_wh;
    }
    return rest_wh - generator_wh;
}

typedef struct { bool in_dark, down; } Missed;

static Missed book_missed(double *book, const double *demand, const double *through, int64_t level, double served_w,
                          int missed_field, bool by_volts, double time)
{
    book[MISSED_SHED_WH] += (demand[LEVELS - 1] - demand[level]) * time;
    double without_ac_w = through[level];
    if (missed_field >= 0)
        book[missed_field] += (demand[level] - without_ac_w - served_w) * time;
    book[MISSED_DARK_WH] += without_ac_w * time;
    double direct_w = min(demand[0] - through[0], demand[level] - without_ac_w);
    double essential_w = through[0] + max(direct_w - served_w, 0.0);
    double comfort_direct_w = max(min(demand[1] - through[1], demand[level] - without_ac_w) - direct_w, 0.0);
    double comfort_w;
    if (level > 0) {
        comfort_w = through[1] - through[0] + comfort_direct_w;
        comfort_w -= min(max(served_w - direct_w, 0.0), comfort_direct_w);
    } else {
        comfort_w = demand[1] - demand[0];
    }
    book[MISSED_ESSENTIAL_WH] += essential_w * time;
    book[MISSED_COMFORT_WH] += comfort_w * time;
    book[MISSED_LUXURY_WH] += max(demand[LEVELS - 1] - served_w - essential_w - comfort_w, 0.0) * time;
    bool unserved = missed_field == MISSED_DARK_WH;
    double dark_w = unserved ? essential_w : through[0];
    if (dark_w > 0.0) {
        book[ESSENTIAL_DARK_WH] += dark_w * time;
        book[DARK_H] += time;
    }
    if (unserved) {
        if (by_volts)
            book[LOW_V_H] += time;
    } else if (without_ac_w > 0.0) {
        book[INVERTER_OFF_H] += time;
    }
    return (Missed){dark_w > 0.0, unserved && direct_w > served_w};
}

void run_block(const Lane *lanes, const Histories *histories, const double *curves, const double *capacities, int64_t hours,
               int64_t day_count, int64_t first, int64_t last, double *state, double *totals, double *days,
               const int64_t *watch, double *hours_out, int64_t *status)
{
    double book[HOUR_FIELDS];
    double demand[LEVELS];
    double through[LEVELS];
    for (int64_t place = first; place < last; place++) {
        const Lane *lane = lanes + place;
        Curve curve = (Curve)(curves + lane->curve_row * (NODES + 1) * CURVE_FIELDS);
        const double *capacity_curve = capacities + lane->curve_row * CAPACITY_NODES;
        const double *sun_row = histories->sun_w + lane->sun_row * hours * 3;
        const double *bay_row = histories->bay_c + lane->bay_row * hours * 2;
        const double *load_row = histories->load_w + lane->load_row * hours * LEVELS * LOAD_FIELDS;
        const double *peak_row = histories->peak_h + lane->load_row * hours;
        const double *source_row = histories->source_a + lane->source_row * hours * SOURCE_FIELDS;
        double capacity = lane->capacity_ah;
        double target = lane->target_soc;
        double well_c = lane->well_c;
        double well_k = lane->well_k_per_h;
        bool two_wells = well_c < 1.0;
        double low_v = lane->sun_low_v;
        double high_v = lane->sun_high_v;
        double conductance = lane->loss_w_per_c;
        double cooling = exp(-conductance / lane->heat_capacity_wh_per_c);
        double c_per_w = 1.0 / conductance;
        double warming = (1.0 - cooling) * c_per_w;
        double charge_limit_per_h = lane->charge_limit_a / capacity;
        double cold_limit_per_h = lane->charge_cold_limit_a / capacity;
        double range_v = 1.0 / (high_v - low_v);
        Well terms_1 = well_terms(two_wells ? well_k : 1.0, 1.0);
        double hysteresis = lane->reconnect_soc - lane->floor_soc;
        double charge_max_v = lane->charge_max_v;
        bool minds_v = lane->inverter_off_v > 0.0 || lane->cutoff_v > 0.0;
        double step_h = lane->step_h;
        int64_t most_events = MAX_EVENTS + (int64_t)(1.0 / step_h);
        double tau_h = lane->cabin_tau_h;
        double chilling = tau_h > 0.0 ? 1.0 - exp(-1.0 / tau_h) : 0.0;
        double rewarming = tau_h > 0.0 ? 1.0 - exp(-2.0 / tau_h) : 0.0;
        double *own = state + place * STATE_SIZE;
        double soc = own[SOC];
        double well = own[WELL];
        double cell_c = own[CELL_C];
        double own_heat_w = own[OWN_HEAT_W];
        bool dark = own[DARK] > 0.0;
        double back_soc = own[BACK_SOC];
        bool cold = own[COLD] > 0.0;
        bool running = own[GENERATOR] > 0.0;
        double run_h = own[GENERATOR_RUN_H];
        int64_t shed = (int64_t)own[SHED];
        bool by_floor = own[BY_FLOOR] > 0.0;
        bool ac_off = own[AC_OFF] > 0.0;
        double chill = own[CHILL];
        double stored_v = energy_at(curve, soc);
        for (int level = 0; level < LEVELS; level++)
            through[level] = 0.0;
        for (int64_t hour = 0; hour < hours; hour++) {
            for (int field = 0; field < HOUR_FIELDS; field++)
                book[field] = 0.0;
            /* ---- decided once an hour: loads, temperature, lockouts, limits, voltage ---- */
            double load_scale = lane->load_scale;
            const double *load = load_row + hour * LEVELS * LOAD_FIELDS;
            double peak_h = peak_row[hour];
            double rest_h = 1.0 - peak_h;
            for (int level = 0; level < LEVELS; level++) {
                demand[level] = load_scale * load[level * LOAD_FIELDS + REST_W];
                if (peak_h > 0.0)
                    demand[level] = rest_h * demand[level] + peak_h * load_scale * load[level * LOAD_FIELDS + PEAK_W];
            }
            double load_wh = demand[LEVELS - 1];
            double essential_wh = demand[0];
            double bay_c = bay_row[hour * 2];
            if (tau_h > 0.0)
                bay_c -= chill * (bay_c - bay_row[hour * 2 + 1]);
            const double *source = source_row + hour * SOURCE_FIELDS;
            double shore_a = source[SHORE_A];
            double drive_a = source[DRIVE_A];
            double other_w = source[OTHER_W];
            double awake = source[AWAKE];
            double electronics_w = lane->standby_w * awake;
            double generator_a = lane->generator_a * source[GENERATOR_SHARE];
            bool allowed = generator_a > 0.0;
            if (running && !allowed)
                running = false;
            double rate_c = min(max(cell_c, -30.0), 60.0);
            double stiffness = exp(lane->resistance_per_c * (25.0 - rate_c));
            double resistance = lane->resistance_ohm * stiffness;
            double absorb_v = min(lane->absorb_v + lane->absorb_v_per_c * (rate_c - 25.0), lane->absorb_cap_v);
            double volts = ocv(curve, soc);
            double scale = lane->sun_scale;
            double charger_a = shore_a + drive_a + (running ? generator_a : 0.0);
            double current = (sun_row[hour * 3] * scale + other_w - demand[LEVELS - 1 - shed]) / volts + charger_a;
            current = min(max(current, -lane->discharge_limit_a), lane->charge_limit_a);
            if (current > 0.0)
                volts = charge_v(curve, soc);
            volts = min(max(volts + resistance * current, low_v), absorb_v);
            double part = min(max((volts - low_v) * range_v, 0.0), 1.0);
            double sun_low_w = sun_row[hour * 3];
            double sun_w = scale * (sun_low_w + part * (sun_row[hour * 3 + 1] - sun_low_w));
            double offered_w = scale * sun_row[hour * 3 + 2];
            double shore_w = shore_a * volts;
            double drive_w = drive_a * volts;
            double fixed_w = sun_w + other_w + shore_w + drive_w;
            double settle_c = bay_c + own_heat_w * c_per_w;
            double end_c = settle_c + (cell_c - settle_c) * cooling;
            double charge_floor = 1.0 - capacity_frac(capacity_curve, cell_c) * (1.0 - lane->floor_soc);
            if (dark && by_floor)
                back_soc = min(charge_floor + hysteresis, target);
            double heater_w = 0.0;
            if (lane->heater_w > 0.0 && min(cell_c, end_c) < lane->heater_on_c) {
                double wanted = (lane->heater_off_c - end_c) / warming;
                heater_w = min(wanted, lane->heater_w);
                if (lane->heater_from_bank == 0.0 || awake == 0.0 || dark || soc <= charge_floor + TINY_SOC) {
                    double taken = dark && shore_a <= 0.0 && !running ? 0.0 : demand[LEVELS - 1 - shed];
                    double spare_w = fixed_w + (running ? generator_a * volts : 0.0) - taken;
                    heater_w = min(heater_w, max(spare_w, 0.0));
                }
                heater_w = max(heater_w, 0.0);
            }
            double warmed_c = end_c + heater_w * warming;
            double coldest_c = min(cell_c, warmed_c);
            double hottest_c = max(cell_c, warmed_c);
            bool was_cold = cold;
            cold = coldest_c < (cold ? lane->charge_resume_c : lane->charge_min_c);
            bool locked = cold;
            bool hot = hottest_c > lane->charge_max_c;
            bool cut = coldest_c < lane->discharge_min_c || hottest_c > lane->discharge_max_c;
            double charge_limit = charge_limit_per_h;
            if (coldest_c < lane->charge_full_c)
                charge_limit = min(charge_limit, cold_limit_per_h);
            double limit_a = lane->discharge_limit_a;
            double most_v = 0.45 * ocv(curve, charge_floor);
            if (limit_a * resistance > most_v)
                limit_a = most_v / resistance;
            double discharge_limit = limit_a / capacity;
            double per_ah = resistance * capacity;
            double high_soc = 2.0;
            if (charge_max_v > 0.0 && absorb_v > charge_max_v) {
                double reached_v = charge_max_v - resistance * max(current, 0.0);
                if (charge_v(curve, target) > reached_v)
                    high_soc = soc_at(curve, CHARGE_V, reached_v, 0.0, target);
            }
            double taper = -1.0;
            double gas = 1.0;
            /* ---- the hour in segments ---- */
            double remaining = 1.0;
            double part_h = 0.0;
            int column = REST_W;
            bool gauge = false;
            bool ac_was_off = ac_off;
            double floor = charge_floor;
            bool exhausted = false;
            bool accepting = false;
            bool cut_now = false;
            bool stopped_now = false;
            bool shed_now = false;
            double lowest = soc;
            double lowest_v = INFINITY;
            double down_h = 0.0;
            int64_t events = 0;
            double lost_wh = 0.0;
            while (remaining > TINY_H) {
                events += 1;
                if (events > most_events) {
                    status[place] = hour + 1;
                    break;
                }
                if (part_h <= TINY_H) {
                    column = REST_W;
                    part_h = remaining;
                    if (peak_h > 0.0) {
                        if (remaining == 1.0) {
                            column = PEAK_W;
                            part_h = min(peak_h, 1.0);
                        }
                        for (int level = 0; level < LEVELS; level++)
                            demand[level] = load_scale * load[level * LOAD_FIELDS + column];
                    }
                    gauge = minds_v;
                }
                while (shed > 0 && !shed_now && soc >= lane->restore_soc[LEVELS - shed]) {
                    shed -= 1;
                    gauge = minds_v;
                }
                while (shed < LEVELS - 1 && soc <= lane->shed_soc[LEVELS - 1 - shed] + TINY_SOC) {
                    shed += 1;
                    shed_now = true;
                    gauge = minds_v;
                }
                int64_t level = LEVELS - 1 - shed;
                if (gauge) {
                    gauge = false;
                    for (int each = 0; each < LEVELS; each++)
                        through[each] = load_scale * load[each * LOAD_FIELDS + column + 1];
                    double rest_v = ocv(curve, two_wells ? min(well / well_c, 1.0) : soc);
                    double draw_w = demand[level] + electronics_w + heater_w - (fixed_w + (running ? generator_a * volts : 0.0));
                    bool begins = remaining == 1.0;
                    ac_off = inverter_lets_go(lane, curve, soc, rest_v, draw_w, through[level], resistance, limit_a, current,
                                              begins ? ac_was_off : ac_off, begins);
                    if (!ac_off) {
                        for (int each = 0; each < LEVELS; each++)
                            through[each] = 0.0;
                    }
                    floor = charge_floor;
                    if (lane->cutoff_v > 0.0) {
                        double supply_w = draw_w - through[level];
                        floor = volt_floor(curve, soc, rest_v, supply_w, resistance, limit_a, lane->cutoff_v, charge_floor,
                                           two_wells);
                    }
                }
                if (dark && !cut_now && soc >= back_soc - TINY_SOC && soc > floor + TINY_SOC)
                    dark = false;
                bool enough = soc >= lane->generator_stop_soc - TINY_SOC && run_h >= lane->generator_min_h - TINY_H;
                bool wants = dark || exhausted || soc <= max(lane->generator_start_soc, floor) + TINY_SOC;
                wants = wants || (through[0] > 0.0 && soc < lane->generator_stop_soc - TINY_SOC);
                if (running && enough && !dark) {
                    running = false;
                    stopped_now = true;
                    if (minds_v) {
                        gauge = true;
                        continue;
                    }
                } else if (allowed && !running && !stopped_now && wants) {
                    running = true;
                    run_h = 0.0;
                    if (minds_v) {
                        gauge = true;
                        continue;
                    }
                }
                bool empty = exhausted || soc <= floor + TINY_SOC;
                double generator_w = running ? generator_a * volts : 0.0;
                double sources_w = fixed_w + generator_w;
                bool held = dark || cut;
                bool unserved = held && shore_w + generator_w <= 0.0;
                double wanted_w = unserved ? 0.0 : demand[level] - through[level];
                double standby_w = held || empty ? 0.0 : electronics_w;
                double heating_w = held || empty ? min(heater_w, sources_w) : heater_w;
                double net_w = sources_w - wanted_w - standby_w - heating_w;
                if (fabs(net_w) < TINY_W)
                    net_w = 0.0;
                if (net_w < 0.0 && empty && !held && hysteresis > 0.0) {
                    dark = true;
                    cut_now = true;
                    cold = cold || (heater_w > sources_w && min(cell_c, end_c) < lane->charge_min_c);
                    by_floor = soc <= charge_floor + TINY_SOC;
                    if (by_floor)
                        back_soc = min(charge_floor + hysteresis, target);
                    else if (exhausted)
                        back_soc = min(soc + hysteresis, target);
                    else
                        back_soc = 0.0;
                    continue;
                }
                double time = min(part_h, step_h);
                double end = soc;
                double charged_wh = 0.0;
                double discharged_wh = 0.0;
                double served_w = wanted_w;
                int missed_field = -1;
                int spill_field = SPILLED_LIMIT_WH;
                double now_v = stored_v;
                double terminal_v = 0.0;
                double next_well = 0.0;
                bool well_known = false;
                if (unserved)
                    missed_field = MISSED_DARK_WH;
                if (running && run_h < lane->generator_min_h)
                    time = min(time, lane->generator_min_h - run_h);
                if (net_w > 0.0) {
                    if (soc >= target - TINY_SOC) {
                        spill_field = SPILLED_FULL_WH;
                    } else if (cold) {
                        spill_field = REFUSED_COLD_WH;
                    } else if (hot) {
                        spill_field = REFUSED_HOT_WH;
                    } else if (soc >= high_soc - TINY_SOC) {
                        spill_field = REFUSED_HIGH_WH;
                    } else {
                        if (taper < 0.0) {
                            Charging charging = charging_terms(lane, absorb_v - lane->absorb_v, rate_c, stiffness);
                            taper = charging.taper;
                            gas = charging.gas;
                        }
                        double upper = min(target, high_soc);
                        if (dark && !cut_now && back_soc > soc)
                            upper = min(upper, back_soc);
                        if (running && lane->generator_stop_soc > soc + TINY_SOC)
                            upper = min(upper, lane->generator_stop_soc);
                        if (shed > 0 && !shed_now)
                            upper = min(upper, lane->restore_soc[level + 1]);
                        Charged charged = charge_segment(curve, soc, upper, net_w / capacity, charge_limit, per_ah,
                                                         taper, lane->taper_soc, accepting, gas, time);
                        time = charged.time;
                        end = charged.end;
                        double moved = charged.moved;
                        accepting = charged.accepting;
                        if (charged.regime == ACCEPTANCE_LIMITED)
                            spill_field = SPILLED_ACCEPTANCE_WH;
                        charged_wh = charged.energy * capacity;
                        now_v = energy_at(curve, end);
                        double stored_wh = capacity * (now_v - stored_v);
                        double ohmic_wh = time > 0.0 ? per_ah * moved * moved / time * capacity : 0.0;
                        double rise_wh = charged.rise * capacity;
                        book[LOSS_OHMIC_WH] += ohmic_wh;
                        book[LOSS_CHARGING_WH] += rise_wh - stored_wh;
                        book[RESIDUAL_WH] += fabs(charged_wh - rise_wh - ohmic_wh);
                        book[CHARGED_AH] += moved * capacity;
                        lost_wh += charged_wh - stored_wh;
                        if (moved > 0.0)
                            terminal_v = charged.energy / moved;
                    }
                } else if (net_w < 0.0) {
                    if (empty || held) {
                        served_w = max(sources_w - heating_w, 0.0);
                        missed_field = MISSED_DARK_WH;
                    } else {
                        double lower = floor;
                        if (allowed && !running && !stopped_now && lane->generator_start_soc < soc)
                            lower = max(lower, lane->generator_start_soc);
                        if (level > 0 && lane->shed_soc[level] < soc)
                            lower = max(lower, lane->shed_soc[level]);
                        Discharged drawn;
                        for (int attempt = 0; attempt < 2; attempt++) {
                            drawn = discharge_segment(curve, soc, stored_v, lower, -net_w / capacity, discharge_limit, per_ah,
                                                      time);
                            time = drawn.time;
                            end = drawn.end;
                            if (!two_wells || attempt > 0 || time <= 0.0)
                                break;
                            Well terms = time == 1.0 ? terms_1 : well_terms(well_k, time);
                            double rate = (end - soc) / time;
                            next_well = well_next(soc, well, rate, well_c, well_k, terms);
                            well_known = next_well >= 0.0;
                            if (well_known)
                                break;
                            time = well_empty_time(soc, well, rate, well_c, well_k, time);
                            exhausted = true;
                        }
                        discharged_wh = drawn.energy * capacity;
                        double moved = soc - end;
                        now_v = energy_at(curve, end);
                        double stored_wh = capacity * (now_v - stored_v);
                        double ohmic_wh = time > 0.0 ? per_ah * moved * moved / time * capacity : 0.0;
                        book[LOSS_OHMIC_WH] += ohmic_wh;
                        book[RESIDUAL_WH] += fabs(discharged_wh + stored_wh + ohmic_wh);
                        book[DISCHARGED_AH] += moved * capacity;
                        lost_wh += ohmic_wh;
                        if (moved > 0.0)
                            terminal_v = drawn.energy / moved;
                        if (drawn.regime == CURRENT_LIMITED && time > 0.0) {
                            double delivered_w = sources_w + discharged_wh / time;
                            standby_w = min(standby_w, delivered_w);
                            served_w = max(min(delivered_w - standby_w - heating_w, wanted_w), 0.0);
                            heating_w = max(min(heating_w, delivered_w - standby_w - served_w), 0.0);
                            missed_field = MISSED_LIMIT_WH;
                        }
                    }
                }
                if (!two_wells) {
                    well = end;
                } else if (time > 0.0) {
                    if (!well_known) {
                        Well terms = time == 1.0 ? terms_1 : well_terms(well_k, time);
                        next_well = well_next(soc, well, (end - soc) / time, well_c, well_k, terms);
                    }
                    well = min(min(max(max(next_well, 0.0), end - (1.0 - well_c)), well_c), end);
                }
                if (terminal_v == 0.0)
                    terminal_v = ocv(curve, soc);
                /* ---- book the segment ---- */
                double need_wh = (served_w + standby_w + heating_w) * time + charged_wh;
                double from_sources_wh = need_wh - discharged_wh;
                double sun_wh = min(sun_w * time, max(from_sources_wh, 0.0));
                double rest_wh = from_sources_wh - sun_wh;
                double spilled_wh = sun_w * time - sun_wh;
                if (sources_w > sun_w)
                    rest_wh = book_chargers(book, rest_wh, other_w, drive_w, shore_w, generator_w, time, spill_field);
                book[RESIDUAL_WH] += fabs(rest_wh);
                book[SUN_USED_WH] += sun_wh;
                book[spill_field] += spilled_wh;
                book[STANDBY_WH] += standby_w * time;
                book[HEATER_WH] += heating_w * time;
                book[CHARGED_WH] += charged_wh;
                book[DISCHARGED_WH] += discharged_wh;
                bool in_dark = false;
                if (missed_field >= 0 || shed > 0 || through[LEVELS - 1] > 0.0) {
                    bool by_volts;
                    if (dark)
                        by_volts = !by_floor && back_soc == 0.0;
                    else
                        by_volts = floor > charge_floor && soc > charge_floor + TINY_SOC && !exhausted && !cut;
                    Missed missed = book_missed(book, demand, through, level, served_w, missed_field, by_volts, time);
                    in_dark = missed.in_dark;
                    if (missed.down)
                        down_h += time;
                }
                if (time > 0.0) {
                    if (remaining == 1.0)
                        book[DARK_AT_START] = in_dark ? 1.0 : 0.0;
                    book[DARK_AT_END] = in_dark ? 1.0 : 0.0;
                    lowest_v = min(lowest_v, terminal_v);
                }
                book[BUS_V] += terminal_v * time;
                if (running) {
                    book[GENERATOR_H] += time;
                    run_h += time;
                }
                book[SEGMENTS] += 1.0;
                soc = end;
                stored_v = now_v;
                lowest = min(lowest, soc);
                remaining -= time;
                part_h -= time;
            }
            if (status[place] > 0)
                break;
            /* ---- end of the hour: temperature, self-discharge, sums ---- */
            double start_c = cell_c;
            cell_c = end_c + book[HEATER_WH] * warming;
            cold = cold || (was_cold && min(start_c, cell_c) < lane->charge_resume_c);
            own_heat_w = lost_wh;
            if (tau_h > 0.0)
                chill += (down_h - chill) * (down_h > chill ? chilling : rewarming);
            double kept = 1.0 - lane->self_discharge_per_h * exp(0.06931471805599453 * (rate_c - 25.0));
            soc *= kept;
            double now_v = energy_at(curve, soc);
            book[LOSS_SELF_WH] = capacity * (stored_v - now_v);
            stored_v = now_v;
            well *= kept;
            lowest = min(lowest, soc);
            book[LOAD_WH] = load_wh;
            book[SUN_OFFERED_WH] = offered_w;
            book[SPILLED_CONTROLLER_WH] = offered_w - sun_w;
            book[SOC_END] = soc;
            book[SOC_LOWEST] = lowest;
            book[CELL_END_C] = cell_c;
            book[LOWEST_V] = lowest_v;
            book[LOCKED_H] = locked ? 1.0 : 0.0;
            book[CHILL_END] = chill;
            book[FULL_H] = soc >= lane->full_soc - 1e-9 ? 1.0 : 0.0;
            book[RESIDUAL_H] = fabs(remaining);
            for (int field = 0; field < HOUR_FIELDS; field++)
                totals[place * HOUR_FIELDS + field] += book[field];
            double *day = days + (place * day_count + histories->day[hour]) * DAY_FIELDS;
            day[DAY_LOAD_WH] += book[LOAD_WH];
            day[DAY_MISSED_WH] += book[ESSENTIAL_DARK_WH];
            day[DAY_DARK_H] += book[DARK_H];
            day[DAY_LOWEST_SOC] = min(day[DAY_LOWEST_SOC], lowest);
            day[DAY_SUN_OFFERED_WH] += offered_w;
            day[DAY_SUN_USED_WH] += book[SUN_USED_WH];
            day[DAY_FULL_H] += book[FULL_H];
            day[DAY_ESSENTIAL_WH] += essential_wh;
            if (watch[place] >= 0) {
                for (int field = 0; field < HOUR_FIELDS; field++)
                    hours_out[(watch[place] * hours + hour) * HOUR_FIELDS + field] = book[field];
            }
        }
        own[SOC] = soc;
        own[WELL] = well;
        own[CELL_C] = cell_c;
        own[OWN_HEAT_W] = own_heat_w;
        own[DARK] = dark ? 1.0 : 0.0;
        own[BACK_SOC] = back_soc;
        own[COLD] = cold ? 1.0 : 0.0;
        own[GENERATOR] = running ? 1.0 : 0.0;
        own[GENERATOR_RUN_H] = run_h;
        own[SHED] = shed;
        own[BY_FLOOR] = by_floor ? 1.0 : 0.0;
        own[AC_OFF] = ac_off ? 1.0 : 0.0;
        own[CHILL] = chill;
    }
}
