/* The planning of a dive in plain C: the kernel's method, minute by minute, in plain loops. The yardstick of its speed.

   Open circuit, one level, stops on whole minutes of run time. Metres, minutes and bar. Tensions are [32], nitrogen
   first.

   With -DFIXED_STEPS the exponentials of the steps that every ascent is made of (3 m at one rate, say) are worked out
   once for all dives. Nothing else differs, and the numbers are the same to the last bit. */

#include <math.h>
#include <stdint.h>
#include <string.h>

#define COMPARTMENTS 16
#define TENSIONS 32
#define WATER_VAPOUR 0.0627
#define CLOSE 1e-6
#define STUCK_AFTER_MIN 2880.0

enum { FINE = 0, NEVER_CLEARS = 1, LEFT_TOO_EARLY = 3 };

typedef struct {
    const double *rate, *a, *b, *minute, *start; /* [32] */
    const double *stop_m;                        /* [stops], the surface first */
    const double *from_m, *o2, *he_share;        /* [gases], of the way up, deepest first */
    double surface_bar, bar_per_m, descent, ascent, between_stops, to_surface, hold_min;
    int64_t stops, gases;
} Site;

typedef struct {
    double tissue[TENSIONS];
    double depth_m, run_time_min, first_stop_m, gf_low, gf_high;
    int64_t gas; /* breathed last */
} Diver;

#ifdef FIXED_STEPS
#define MOST_STEPS 8
static double step_min[MOST_STEPS], step_fading[MOST_STEPS][TENSIONS];
static int steps;

static void add_step(const Site *site, double minutes) {
    for (int i = 0; i < steps; i++)
        if (step_min[i] == minutes) return;
    if (steps == MOST_STEPS) return;
    for (int c = 0; c < TENSIONS; c++) step_fading[steps][c] = exp(-site->rate[c] * minutes);
    step_min[steps++] = minutes;
}
#endif

static double ambient(const Site *site, double depth_m) { return site->surface_bar + site->bar_per_m * depth_m; }

static double inspired_inert(const Site *site, double bar, int64_t gas) {
    return (bar - WATER_VAPOUR) * (1.0 - site->o2[gas]);
}

/* Haldane's equation. */
static void load_constant(const Site *site, double *tissue, double bar, double minutes, int64_t gas) {
    double inert = inspired_inert(site, bar, gas);
    for (int g = 0; g < 2; g++) {
        double inspired = inert * (g == 1 ? site->he_share[gas] : 1.0 - site->he_share[gas]);
        double *p = tissue + g * COMPARTMENTS;
        const double *rate = site->rate + g * COMPARTMENTS, *minute = site->minute + g * COMPARTMENTS;
        if (minutes == 1.0)
            for (int c = 0; c < COMPARTMENTS; c++) p[c] += (inspired - p[c]) * minute[c];
        else
            for (int c = 0; c < COMPARTMENTS; c++) p[c] += (inspired - p[c]) * -expm1(-rate[c] * minutes);
    }
}

static void travel(double *p, const double *rate, const double *fading, double start, double slope, double minutes) {
    for (int c = 0; c < COMPARTMENTS; c++) {
        double k = rate[c];
        double rest = (start - p[c] - slope / k) * (fading ? fading[c] : exp(-k * minutes));
        p[c] = start + slope * (minutes - 1.0 / k) - rest;
    }
}

/* Schreiner's equation. */
static void load_travel(const Site *site, double *tissue, double start_bar, double end_bar, double minutes, int64_t gas) {
    if (minutes <= 0.0) return;
    double start = inspired_inert(site, start_bar, gas);
    double slope = (inspired_inert(site, end_bar, gas) - start) / minutes;
    const double *fading = 0;
#ifdef FIXED_STEPS
    for (int i = 0; i < steps; i++)
        if (minutes == step_min[i]) fading = step_fading[i];
#endif
    for (int g = 0; g < 2; g++) {
        double share = g == 1 ? site->he_share[gas] : 1.0 - site->he_share[gas];
        int first = g * COMPARTMENTS;
        if (fading)
            travel(tissue + first, site->rate + first, fading + first, start * share, slope * share, minutes);
        else
            travel(tissue + first, site->rate + first, 0, start * share, slope * share, minutes);
    }
}

/* Whether a compartment tolerates an ambient pressure under a gradient factor. */
static int is_within(const Site *site, const double *tissue, int c, double bar, double gf) {
    double n2 = tissue[c], he = tissue[COMPARTMENTS + c], p = n2 + he;
    double a = site->a[c] * n2 + site->a[COMPARTMENTS + c] * he;
    double b = site->b[c] * n2 + site->b[COMPARTMENTS + c] * he;
    return p * p * b - gf * a * b <= bar * p * (gf * p + (1.0 - gf) * b);
}

/* A compartment that does not, or -1. The one that held last is asked first. */
static int first_over(const Site *site, const double *tissue, double bar, double gf, int suspect) {
    if (suspect >= 0 && !is_within(site, tissue, suspect, bar, gf)) return suspect;
    for (int c = 0; c < COMPARTMENTS; c++)
        if (!is_within(site, tissue, c, bar, gf)) return c;
    return -1;
}

static int clears(const Site *site, const double *tissue, double bar, double gf) {
    return first_over(site, tissue, bar, gf, -1) < 0;
}

/* GF low at the first stop, GF high at the surface. */
static double line_gf(const Diver *d, double depth_m) {
    if (d->first_stop_m <= 0.0 || depth_m >= d->first_stop_m) return d->gf_low;
    return d->gf_high + (d->gf_low - d->gf_high) * depth_m / d->first_stop_m;
}

static int64_t gas_at(const Site *site, double depth_m) {
    int64_t found = 0;
    for (int64_t i = 0; i < site->gases; i++)
        if (site->from_m[i] >= depth_m - CLOSE) found = i;
    return found;
}

/* Up to a depth, changing gas on the way. */
static void rise(const Site *site, Diver *d, double *tissue, double to_m, double rate) {
    while (d->depth_m != to_m) {
        double here = d->depth_m, next_m = to_m;
        for (int64_t i = 0; i < site->gases; i++) {
            double edge = site->from_m[i];
            if (fmin(here, next_m) + CLOSE < edge && edge < fmax(here, next_m) - CLOSE) next_m = edge;
        }
        double minutes = fabs(next_m - here) / rate;
        int64_t gas = gas_at(site, 0.5 * (here + next_m));
        load_travel(site, tissue, ambient(site, here), ambient(site, next_m), minutes, gas);
        d->run_time_min += minutes;
        d->depth_m = next_m;
    }
}

static void stay(const Site *site, Diver *d, double until_min, int64_t gas) {
    double minutes = until_min - d->run_time_min;
    if (minutes <= 0.0) return;
    if (fabs(minutes - 1.0) < 1e-9) minutes = 1.0;
    load_constant(site, d->tissue, ambient(site, d->depth_m), minutes, gas);
    d->run_time_min = until_min;
}

/* Up without a stop. Whether all of it was within GF high. */
static int go_direct(const Site *site, Diver *d) {
    double last_m = site->stop_m[1];
    int within = 1;
    if (d->depth_m > last_m) {
        rise(site, d, d->tissue, last_m, site->ascent);
        within = clears(site, d->tissue, ambient(site, last_m), d->gf_high);
    }
    rise(site, d, d->tissue, 0.0, site->to_surface);
    return within && clears(site, d->tissue, site->surface_bar, d->gf_high);
}

static int direct_is_fine(const Site *site, const Diver *d) {
    if (!clears(site, d->tissue, ambient(site, d->depth_m), d->gf_high)) return 0;
    Diver trial = *d;
    return go_direct(site, &trial);
}

/* Until the next whole minute. */
static void wait(const Site *site, Diver *d, double *arrive_min, double *leave_min) {
    if (*leave_min == 0.0) *arrive_min = d->run_time_min;
    stay(site, d, floor(d->run_time_min + CLOSE) + 1.0, gas_at(site, d->depth_m));
    *leave_min = d->run_time_min;
}

/* To the surface with every stop. */
static int64_t ascend(const Site *site, Diver *d, double *arrive_min, double *leave_min) {
    double give_up_min = d->run_time_min + STUCK_AFTER_MIN, trial[TENSIONS];
    int holding = -1; /* the compartment that held the diver last */
    while (d->depth_m > CLOSE) {
        double here = d->depth_m, not_before_min = d->run_time_min;
        int64_t gas = gas_at(site, here), stop = 1;
        while (stop + 1 < site->stops && site->stop_m[stop] < here - CLOSE) stop++;
        if (gas != d->gas) {
            d->gas = gas;
            not_before_min += site->hold_min;
        }
        double next_m = site->stop_m[stop - 1];
        if (site->stop_m[stop] < here - CLOSE) next_m = site->stop_m[stop]; /* deeper than the grid */
        double next_bar = ambient(site, next_m);
        for (;;) {
            double gf = line_gf(d, next_m);
            holding = first_over(site, d->tissue, next_bar, gf, holding);
            if (holding < 0) {
                if (d->run_time_min < not_before_min - CLOSE) {
                    wait(site, d, arrive_min + stop, leave_min + stop);
                    continue;
                }
                double run_time_min = d->run_time_min;
                double rate = d->first_stop_m < 0.0 ? site->ascent : site->between_stops;
                if (next_m < CLOSE && here <= site->stop_m[1] + CLOSE) rate = site->to_surface;
                memcpy(trial, d->tissue, sizeof trial);
                rise(site, d, trial, next_m, rate);
                if (clears(site, trial, next_bar, gf)) {
                    memcpy(d->tissue, trial, sizeof trial);
                    break;
                }
                d->depth_m = here;
                d->run_time_min = run_time_min;
            }
            if (d->first_stop_m < 0.0) {
                d->first_stop_m = here; /* the first stop; ask again under the line */
                continue;
            }
            wait(site, d, arrive_min + stop, leave_min + stop);
            if (d->run_time_min > give_up_min) return NEVER_CLEARS;
        }
    }
    return FINE;
}

/* Plan dives. arrive_min, leave_min [dives, stops]: run times at the stops, 0 where there is none, given as zeros.
   tissue [dives, 32]: at the surface. */
void many(const Site *site, int64_t dives, const double *depth_m, const double *leave_at_min, const double *gf_low,
          const double *gf_high, int64_t *fault, double *arrive_min, double *leave_min, double *run_time_min,
          double *tissue) {
#ifdef FIXED_STEPS
    steps = 0;
    for (int64_t i = 1; i < site->stops; i++) {
        double up_m = site->stop_m[i] - site->stop_m[i - 1];
        add_step(site, up_m / site->ascent);
        add_step(site, up_m / site->between_stops);
        add_step(site, up_m / site->to_surface);
    }
#endif
    for (int64_t i = 0; i < dives; i++) {
        Diver d = {.first_stop_m = -1.0, .gf_low = gf_low[i], .gf_high = gf_high[i]};
        memcpy(d.tissue, site->start, sizeof d.tissue);
        d.run_time_min = depth_m[i] / site->descent;
        d.depth_m = depth_m[i];
        load_travel(site, d.tissue, site->surface_bar, ambient(site, d.depth_m), d.run_time_min, 0);
        if (d.run_time_min > leave_at_min[i] + CLOSE) {
            fault[i] = LEFT_TOO_EARLY;
        } else {
            stay(site, &d, leave_at_min[i], 0);
            if (direct_is_fine(site, &d))
                go_direct(site, &d);
            else
                fault[i] = ascend(site, &d, arrive_min + i * site->stops, leave_min + i * site->stops);
        }
        run_time_min[i] = d.run_time_min;
        memcpy(tissue + i * TENSIONS, d.tissue, sizeof d.tissue);
    }
}
