/* The frame's heat balance once more, written by hand in C, as a yardstick for the compiled kernel.

   Same numerical method, same nodes, same order of work as framesim/heat_balance.py and
   framesim/tangents.py; explanations are there. The places of all numbers in the
   arrays come from framesim/layout.py and framesim/tangents.py in layout_for_c.h, which bench_kernel.py
   writes before it compiles this file. */

#include <math.h>
#include <string.h>
#include "layout_for_c.h"

typedef double *restrict out_t;
typedef const double *restrict in_t;

static const int WET_SURFACE[3] = {SOIL, LEAF, LID};
static in_t roots; /* |d|^(1/3), smoothed at zero, every ROOT_STEP_K */

typedef struct {
    double c[N_TANGENTS], m[NN][NN], b[NN], f1[N_DRIVERS], f2[N_DRIVERS], y1[N_STATE], y2[N_STATE];
} work_t;

static inline double cube(double x) { return x * x * x; }

static inline void root_and_slope(double difference, double *root, double *slope) {
    double place = fabs(difference) * (1.0 / ROOT_STEP_K);
    int k = (int)place;
    if (k > 1599) k = 1599;
    double rise = roots[k + 1] - roots[k];
    *root = roots[k] + (place - k) * rise;
    *slope = rise * (1.0 / ROOT_STEP_K);
}

static inline double magnus_pressure(double t) {
    if (t < 0.0) return 611.2 * exp(22.46 * t / (272.62 + t));
    return 611.2 * exp(17.62 * t / (243.12 + t));
}

static inline double magnus_slope(double t, double pressure) {
    if (t < 0.0) return pressure * 22.46 * 272.62 / ((272.62 + t) * (272.62 + t));
    return pressure * 17.62 * 243.12 / ((243.12 + t) * (243.12 + t));
}

static void forcing(in_t rows, int n_rows, double place, out_t f) {
    if (place < 0.0) place = 0.0;
    if (place > n_rows - 1.000001) place = n_rows - 1.000001;
    int k = (int)place;
    double share = place - k;
    in_t a = rows + (long)k * N_DRIVERS;
    in_t b = a + N_DRIVERS;
    for (int j = 0; j < N_DRIVERS; j++) f[j] = a[j] + share * (b[j] - a[j]);
    f[D_BASE] = a[D_BASE];
}

/* ---- tangents ---------------------------------------------------------------------------- */

static void air_exchange(in_t p, in_t y, in_t f, double wind_area, double stack, out_t c) {
    double outside = f[D_OUT], inside = y[Y_AIR];
    double outside_k = outside + ZERO_K, inside_k = inside + ZERO_K;
    double pressure = f[D_PRESSURE], humid = f[D_HUMID];
    double rho_out = pressure / (GAS_DRY_AIR * outside_k * (1.0 + humid / MASS_RATIO));
    double rho_in = pressure / (GAS_DRY_AIR * inside_k * (1.0 + y[Y_HUMID] / MASS_RATIO));
    double cp = CP_DRY_AIR + CP_VAPOUR * humid;
    double difference = outside - inside;
    double flow = 0.0, slope = 0.0;
    if (wind_area > 0.0 || stack > 0.0) {
        double wind = wind_area * f[D_WIND] * p[P_WIND_RATIO];
        double pull = stack * stack / inside_k;
        flow = sqrt(wind * wind + pull * sqrt(difference * difference + 1e-4) + 1e-10);
        slope = 0.5 * pull * fabs(difference) / flow;
    }
    double leak = p[P_LEAK];
    c[C_EX_M] = rho_out * (leak + flow);
    c[C_EX_G] = rho_out * cp * (leak + flow + slope);
    c[C_EX_0] = -rho_out * cp * slope * difference;
    c[C_VENT] = flow * rho_out / rho_in;
    c[C_AIR_M] = rho_in * p[P_VOLUME];
    c[C_AIR_C] = c[C_AIR_M] * (CP_DRY_AIR + CP_VAPOUR * y[Y_HUMID]);
}

static void inside(in_t p, in_t y, in_t f, out_t c) {
    double air = y[Y_AIR], thin = 1.0;
    if (p[P_LID_BY_DENSITY] > 0.0) {
        double d = f[D_PRESSURE] / 101325.0 - 1.0;
        thin = 1.0 + d * (2.0 / 3.0 - d / 9.0);
    }
    for (int i = 0; i < NN; i++) {
        double t = y[Y_SURFACE + i], difference = t - air, root, slope;
        double factor = p[P_AREA + i] * (difference > 0.0 ? p[P_WARM + i] : p[P_COLD + i]);
        root_and_slope(difference, &root, &slope);
        c[C_CONV_G + i] = factor * (root + slope * fabs(difference));
        c[C_CONV_0 + i] = factor * root * difference;
        double kelvin = t + ZERO_K, third = STEFAN_BOLTZMANN * cube(kelvin);
        c[C_RAD_G + i] = 4.0 * third;
        c[C_RAD_0 + i] = third * (kelvin - 4.0 * t);
    }
    c[C_CONV_G + LID] *= thin;
    c[C_CONV_0 + LID] *= thin;
    double to_air = c[C_EX_0];
    for (int i = 0; i < NN; i++) {
        c[C_CONV_0 + i] -= c[C_CONV_G + i] * (y[Y_SURFACE + i] - air);
        to_air += c[C_CONV_0 + i];
        double seen = -p[P_SEEN + i] * c[C_RAD_0 + i];
        for (int j = 0; j < NN; j++) seen += p[P_EXCHANGE + i * NN + j] * c[C_RAD_0 + j];
        c[C_RHS + i] = seen - c[C_CONV_0 + i];
    }
    c[C_RHS + AIR] = to_air;
}

static inline void film(in_t p, int i, double t, double outside, in_t f, double emissivity, double *total, double *h) {
    double difference = t - outside, root, slope;
    double forced = p[P_OUT_WINDWARD + i] * f[D_WINDWARD] + p[P_OUT_LEEWARD + i] * f[D_LEEWARD];
    double factor = difference > 0.0 ? p[P_OUT_WARM + i] : p[P_OUT_COLD + i];
    root_and_slope(difference, &root, &slope);
    double still = factor * root;
    double smooth = sqrt(still * still + forced * forced);
    *h = still + p[P_OUT_ROUGH + i] * (smooth - still);
    *total = *h + emissivity * 4.0 * STEFAN_BOLTZMANN * cube(t + ZERO_K);
}

static inline void store_outside(int i, double t, double total, double h, double weight, double emissivity, out_t c) {
    double kelvin = t + ZERO_K;
    c[C_OUT_H + i] = weight * total;
    c[C_OUT_HC + i] = weight * h;
    c[C_OUT_E + i] = weight * emissivity;
    c[C_OUT_0 + i] = weight * emissivity * STEFAN_BOLTZMANN * cube(kelvin) * (kelvin - 4.0 * t);
}

static void covered_lid(in_t p, in_t f, double snow, double cover, out_t c) {
    double outside = f[D_OUT], emissivity = p[P_OUT_EMISSIVITY + 4], total, h;
    emissivity += cover * (p[P_COVER_EMISSIVITY] - emissivity);
    film(p, 4, outside, outside, f, emissivity, &total, &h);
    double layer = snow / SNOW_K;
    double share = (1.0 - cover) / (1.0 + total * layer) + cover / (1.0 + total * (layer + p[P_COVER_R]));
    store_outside(4, outside, total, h, share * p[P_OUT_AREA + 4], emissivity, c);
    double through = 1.0;
    if (snow > 0.0) {
        double hidden = snow / SNOW_COVERED_M < 1.0 ? snow / SNOW_COVERED_M : 1.0;
        through -= hidden * (1.0 - (1.0 - SNOW_REFLECTANCE) * exp(-SNOW_EXTINCTION * snow));
    }
    c[C_LIGHT] = (1.0 - cover) * through;
    double absorbed = cover * p[P_COVER_ABSORB] + (1.0 - cover) * (1.0 - through) * (1.0 - SNOW_REFLECTANCE);
    c[C_ON_COVER] = absorbed * share;
}

static void outdoors(in_t p, in_t y, in_t f, double cover, out_t c) {
    double outside = f[D_OUT];
    for (int i = 0; i < 5; i++) {
        double layer = p[P_OUT_R + i], t = layer > 0.0 ? outside : y[Y_OUT + i], total, still;
        film(p, i, t, outside, f, p[P_OUT_EMISSIVITY + i], &total, &still);
        double share = 1.0 / (1.0 + total * layer);
        store_outside(i, t, total, still, share * p[P_OUT_AREA + i], p[P_OUT_EMISSIVITY + i], c);
        c[C_OUT_LIGHT + i] = share;
    }
    double snow = p[P_SNOW_SHARE] * f[D_SNOW];
    c[C_LIGHT] = 1.0;
    c[C_ON_COVER] = 0.0;
    if (cover > 0.0 || snow > 0.0) covered_lid(p, f, snow, cover, c);
    if (p[P_BACK_HELD] > 0.0) {
        double h = p[P_OUT_AREA] / 0.13;
        c[C_OUT_H] = h;
        c[C_OUT_HC] = c[C_OUT_E] = 0.0;
        c[C_OUT_0] = -h * p[P_BACK_DEGC];
    }
}

static void gap(in_t p, in_t y, out_t c) {
    double resistance = p[P_SHEET_R];
    if (p[P_GAP_NU_D] > 0.0) {
        double kelvin = 0.5 * (y[Y_LID_IN] + y[Y_LID_OUT]) + ZERO_K;
        double air = (2.873e-3 + 7.76e-5 * kelvin) * p[P_GAP_NU_D];
        resistance += 1.0 / (air + 4.0 * STEFAN_BOLTZMANN * cube(kelvin) * p[P_GAP_F]);
    }
    c[C_GAP] = p[P_OUT_AREA + 4] / resistance;
    c[C_BOTH] = 1.0 / (c[C_GAP] + c[C_OUT_H + 4]);
}

static void moisture(in_t p, in_t y, in_t f, out_t c) {
    double pressure = f[D_PRESSURE];
    for (int k = 0; k < 3; k++) {
        int i = WET_SURFACE[k];
        double t = y[Y_SURFACE + i], vapour = magnus_pressure(t), slope = magnus_slope(t, vapour);
        double saturated = MASS_RATIO * vapour / (pressure - vapour);
        c[C_WET_G + k] = saturated * pressure / (pressure - vapour) * slope / vapour;
        c[C_WET_0 + k] = saturated - c[C_WET_G + k] * t;
        double on = 0.75 * c[C_CONV_G + i] / CP_DRY_AIR, wet = 0.0;
        if (i == SOIL) {
            wet = on * p[P_WET_SOIL];
        } else if (i == LID) {
            wet = y[Y_FILM] > 0.0 || y[Y_HUMID] > saturated ? on : 0.0;
        } else if (p[P_LEAF_ON] > 0.0) {
            double stomata = f[D_GHI] > 20.0 ? p[P_LEAF_DAY_R] : p[P_LEAF_NIGHT_R];
            double dry = pressure / (GAS_DRY_AIR * (t + ZERO_K));
            wet = 1.0 / (1.0 / on + stomata / (dry * p[P_AREA + i]));
        }
        c[C_WET + k] = wet;
    }
}

static inline void sources(in_t p, in_t f, out_t c) {
    double air_k = f[D_OUT] + ZERO_K, emission = STEFAN_BOLTZMANN * air_k * air_k * air_k * air_k;
    for (int i = 0; i < 5; i++) {
        double around = emission + p[P_OUT_SKY + i] * (f[D_SKY] - emission);
        c[C_SOURCE + i] = c[C_OUT_HC + i] * f[D_OUT] + c[C_OUT_E + i] * around - c[C_OUT_0 + i];
    }
}

/* ---- the straight system ------------------------------------------------------------------- */

static void factor_soil(in_t p, double h, out_t c) {
    if (c[C_STEP] == h) return;
    c[C_STEP] = h;
    c[C_H_INV] = 1.0 / h;
    for (int k = 0; k < NS; k++) c[C_SOIL_CH + k] = p[P_SOIL_C + k] / h;
    for (int k = 0; k < NW * WALLS; k++) c[C_WALL_CH + k] = p[P_WALL_C + k] / h;
    c[C_SOIL_INV + NS - 1] = 1.0 / (c[C_SOIL_CH + NS - 1] + p[P_SOIL_K + NS - 1] + p[P_SOIL_K + NS - 2]);
    for (int k = NS - 2; k > 0; k--) {
        double down = p[P_SOIL_K + k];
        c[C_SOIL_INV + k] =
            1.0 / (c[C_SOIL_CH + k] + down + p[P_SOIL_K + k - 1] - down * down * c[C_SOIL_INV + k + 1]);
    }
    for (int k = 0; k < NS - 1; k++) c[C_SOIL_UP + k] = p[P_SOIL_K + k] * c[C_SOIL_INV + k + 1];
    double down = p[P_SOIL_K];
    c[C_SOIL_DIAG] = c[C_SOIL_CH] + down - down * down * c[C_SOIL_INV + 1];
}

static void factor_walls(in_t p, out_t c) {
    int last = (NW - 1) * WALLS;
    for (int w = 0; w < WALLS; w++)
        c[C_WALL_INV + last + w] = 1.0 / (c[C_WALL_CH + last + w] + p[P_WALL_K + last + w - WALLS] + c[C_OUT_H + w]);
    for (int node = NW - 2; node > 0; node--)
        for (int w = 0; w < WALLS; w++) {
            int k = node * WALLS + w;
            double out = p[P_WALL_K + k];
            double diagonal = c[C_WALL_CH + k] + out + p[P_WALL_K + k - WALLS];
            c[C_WALL_INV + k] = 1.0 / (diagonal - out * out * c[C_WALL_INV + k + WALLS]);
        }
    for (int k = 0; k < last; k++) c[C_WALL_UP + k] = p[P_WALL_K + k] * c[C_WALL_INV + k + WALLS];
    for (int w = 0; w < WALLS; w++) {
        double out = p[P_WALL_K + w];
        c[C_WALL_INV + w] = c[C_WALL_CH + w] + out - out * out * c[C_WALL_INV + w + WALLS];
    }
}

static void fill_matrix(in_t p, double h, out_t c, double m[NN][NN]) {
    double air = c[C_AIR_C] / h + c[C_EX_G] + p[P_RIM];
    for (int i = 0; i < NN; i++)
        for (int j = 0; j < NN; j++) m[i][j] = -p[P_EXCHANGE + i * NN + j] * c[C_RAD_G + j];
    for (int i = 0; i < NN; i++) {
        double g = c[C_CONV_G + i];
        air += g;
        m[AIR][i] = -g;
        m[i][AIR] = -g;
        m[i][i] = g + p[P_SEEN + i] * c[C_RAD_G + i];
    }
    m[AIR][AIR] = air;
    for (int w = 0; w < WALLS; w++) m[1 + w][1 + w] += c[C_WALL_INV + w];
    m[SOIL][SOIL] += c[C_SOIL_DIAG];
    m[LID][LID] += c[C_GAP] * c[C_OUT_H + 4] * c[C_BOTH];
    m[LEAF][LEAF] += p[P_LEAF_C] / h + (1.0 - p[P_LEAF_ON]);
    if (p[P_MOIST] > 0.0) {
        double vapour = c[C_AIR_M] / h + c[C_EX_M];
        for (int k = 0; k < 3; k++) vapour += c[C_WET + k];
        c[C_VAPOUR_INV] = 1.0 / vapour;
        for (int k = 0; k < 3; k++) {
            int i = WET_SURFACE[k];
            m[i][i] += LATENT_HEAT * c[C_WET + k] * c[C_WET_G + k];
            double heat = LATENT_HEAT * c[C_WET + k] * c[C_VAPOUR_INV];
            for (int q = 0; q < 3; q++) m[i][WET_SURFACE[q]] -= heat * c[C_WET + q] * c[C_WET_G + q];
        }
    }
}

static void factor_matrix(double m[NN][NN]) {
    for (int k = 0; k < NN; k++) {
        double inverse = 1.0 / m[k][k];
        m[k][k] = inverse;
        for (int i = k + 1; i < NN; i++) {
            double factor = m[i][k] * inverse;
            m[i][k] = factor;
            for (int j = k + 1; j < NN; j++) m[i][j] -= factor * m[k][j];
        }
    }
}

static void solve_matrix(double m[NN][NN], out_t b) {
    for (int k = 0; k < NN; k++) {
        double known = b[k];
        for (int i = k + 1; i < NN; i++) b[i] -= m[i][k] * known;
    }
    for (int k = NN - 1; k >= 0; k--) {
        double known = b[k] * m[k][k];
        b[k] = known;
        for (int i = 0; i < k; i++) b[i] -= m[i][k] * known;
    }
}

static void stage(in_t p, in_t f, const double *base, out_t c, double m[NN][NN], out_t b, double *y) {
    double light = c[C_LIGHT];
    int last = (NW - 1) * WALLS;
    sources(p, f, c);
    double r = c[C_SOIL_CH + NS - 1] * base[Y_DEEP + NS - 2] + p[P_SOIL_K + NS - 1] * f[D_BASE];
    y[Y_DEEP + NS - 2] = r;
    for (int k = NS - 2; k > 0; k--) {
        r = c[C_SOIL_CH + k] * base[Y_DEEP + k - 1] + c[C_SOIL_UP + k] * r;
        y[Y_DEEP + k - 1] = r;
    }
    y[Y_SOIL] = c[C_SOIL_CH] * base[Y_SOIL] + c[C_SOIL_UP] * r;
    for (int w = 0; w < WALLS; w++) {
        r = c[C_WALL_CH + last + w] * base[Y_OUT + w] + c[C_SOURCE + w] + f[D_WALL_OUT + w] * c[C_OUT_LIGHT + w];
        y[Y_OUT + w] = r;
        for (int node = NW - 2; node > 0; node--) {
            int k = node * WALLS + w, inner = Y_IN_WALL + k - WALLS;
            r = c[C_WALL_CH + k] * base[inner] + c[C_WALL_UP + k] * r;
            y[inner] = r;
        }
        int face = Y_SURFACE + 1 + w;
        y[face] = c[C_WALL_CH + w] * base[face] + c[C_WALL_UP + w] * r;
    }
    for (int i = 0; i < NN; i++) b[i] = c[C_RHS + i];
    b[SOIL] += y[Y_SOIL] + light * f[D_SOIL];
    for (int w = 0; w < WALLS; w++) b[1 + w] += y[Y_SURFACE + 1 + w] + light * f[D_WALL_IN + w];
    double on_outer = light * f[D_LID_OUTER] + c[C_ON_COVER] * f[D_LID_LIGHT] + c[C_SOURCE + 4];
    b[LID] += light * f[D_LID_INNER] + c[C_GAP] * c[C_BOTH] * on_outer;
    b[AIR] += c[C_AIR_C] * c[C_H_INV] * base[Y_AIR] + (c[C_EX_G] + p[P_RIM]) * f[D_OUT];
    b[LEAF] += light * f[D_LEAF] + p[P_LEAF_C] * c[C_H_INV] * base[Y_LEAF];
    double vapour = 0.0;
    if (p[P_MOIST] > 0.0) {
        vapour = c[C_AIR_M] * c[C_H_INV] * base[Y_HUMID] + c[C_EX_M] * f[D_HUMID];
        for (int k = 0; k < 3; k++) vapour += c[C_WET + k] * c[C_WET_0 + k];
        double humid = vapour * c[C_VAPOUR_INV];
        for (int k = 0; k < 3; k++) b[WET_SURFACE[k]] -= LATENT_HEAT * c[C_WET + k] * (c[C_WET_0 + k] - humid);
    }
    solve_matrix(m, b);
    if (p[P_LEAF_ON] <= 0.0) b[LEAF] = b[AIR];
    for (int i = 0; i < NN; i++) y[Y_SURFACE + i] = b[i];
    y[Y_LID_OUT] = c[C_BOTH] * (on_outer + c[C_GAP] * b[LID]);
    if (p[P_MOIST] > 0.0) {
        for (int k = 0; k < 3; k++) vapour += c[C_WET + k] * c[C_WET_G + k] * b[WET_SURFACE[k]];
        y[Y_HUMID] = vapour * c[C_VAPOUR_INV];
    } else {
        y[Y_HUMID] = f[D_HUMID];
    }
    double t = y[Y_SOIL];
    for (int k = 1; k < NS; k++) {
        t = c[C_SOIL_INV + k] * y[Y_DEEP + k - 1] + c[C_SOIL_UP + k - 1] * t;
        y[Y_DEEP + k - 1] = t;
    }
    for (int w = 0; w < WALLS; w++) {
        t = y[Y_SURFACE + 1 + w];
        for (int node = 1; node < NW - 1; node++) {
            int k = node * WALLS + w, inner = Y_IN_WALL + k - WALLS;
            t = c[C_WALL_INV + k] * y[inner] + c[C_WALL_UP + k - WALLS] * t;
            y[inner] = t;
        }
        y[Y_OUT + w] = c[C_WALL_INV + last + w] * y[Y_OUT + w] + c[C_WALL_UP + last + w - WALLS] * t;
    }
}

/* ---- one step and its account ---------------------------------------------------------------- */

static void prepare(in_t p, in_t y, in_t rows, int n_rows, double place, double h, double wind_area, double stack,
                    double cover, work_t *w) {
    out_t c = w->c;
    forcing(rows, n_rows, place + 0.5 * (floor(place) + 1.0 - place), w->f1);
    air_exchange(p, y, w->f1, wind_area, stack, c);
    inside(p, y, w->f1, c);
    outdoors(p, y, w->f1, cover, c);
    gap(p, y, c);
    if (p[P_MOIST] > 0.0) moisture(p, y, w->f1, c);
    factor_soil(p, h, c);
    factor_walls(p, c);
    fill_matrix(p, h, c, w->m);
    factor_matrix(w->m);
    c[C_ROW] = floor(place);
    c[C_WIND_AREA] = wind_area;
    c[C_STACK] = stack;
    c[C_COVER] = cover;
    for (int i = 0; i < NN; i++) c[C_DRAWN_AT + i] = y[Y_SURFACE + i];
    c[C_DRAWN_LID] = y[Y_LID_OUT];
}

static int still_good(in_t y, double place, double h, double wind_area, double stack, double cover, in_t c) {
    if (c[C_STEP] != h || c[C_ROW] != floor(place)) return 0;
    if (c[C_WIND_AREA] != wind_area || c[C_STACK] != stack || c[C_COVER] != cover) return 0;
    double drift = fabs(y[Y_LID_OUT] - c[C_DRAWN_LID]);
    for (int i = 0; i < NN; i++) {
        double d = fabs(y[Y_SURFACE + i] - c[C_DRAWN_AT + i]);
        if (d > drift) drift = d;
    }
    return drift < DRIFT_K;
}

static double add_flows(in_t p, in_t f, in_t y, in_t c, double dt, out_t sums) {
    double light = c[C_LIGHT];
    double solar = light * (f[D_SOIL] + f[D_LID_OUTER] + f[D_LID_INNER] + f[D_LEAF]) + c[C_ON_COVER] * f[D_LID_LIGHT];
    double walls = 0.0;
    for (int w = 0; w < WALLS; w++) {
        solar += light * f[D_WALL_IN + w] + f[D_WALL_OUT + w] * c[C_OUT_LIGHT + w];
        walls += c[C_SOURCE + w] - c[C_OUT_H + w] * y[Y_OUT + w];
    }
    sums[S_SOLAR] += dt * solar;
    sums[S_WALLS] += dt * walls;
    sums[S_LID] += dt * (c[C_SOURCE + 4] - c[C_OUT_H + 4] * y[Y_LID_OUT]);
    sums[S_AIR] += dt * (c[C_EX_0] + (c[C_EX_G] + p[P_RIM]) * (f[D_OUT] - y[Y_AIR]));
    sums[S_GROUND] += dt * p[P_SOIL_K + NS - 1] * (f[D_BASE] - y[Y_DEEP + NS - 2]);
    double settled = 0.0;
    if (p[P_MOIST] > 0.0)
        for (int k = 0; k < 3; k++) {
            double t = y[Y_SURFACE + WET_SURFACE[k]];
            double mass = c[C_WET + k] * (c[C_WET_0 + k] + c[C_WET_G + k] * t - y[Y_HUMID]);
            sums[S_LATENT] -= dt * LATENT_HEAT * mass;
            settled = -dt * mass;
        }
    sums[S_TIME] += dt;
    sums[S_T_AIR] += dt * y[Y_AIR];
    sums[S_T_SOIL] += dt * y[Y_SOIL];
    int k = (int)p[P_TABLE_NODE];
    sums[S_T_SOIL10] += dt * (y[Y_DEEP + k] + p[P_TABLE_SHARE] * (y[Y_DEEP + k + 1] - y[Y_DEEP + k]));
    sums[S_T_LID] += dt * y[Y_LID_IN];
    sums[S_T_LEAF] += dt * y[Y_LEAF];
    sums[S_HUMID] += dt * y[Y_HUMID];
    sums[S_THROUGH] += dt * light * f[D_LID_THROUGH];
    sums[S_VENT] += dt * c[C_VENT];
    return settled;
}

static int step(in_t p, double *y, in_t rows, int n_rows, double place, double dt, double wind_area, double stack,
                double cover, double limit, work_t *w, out_t sums) {
    out_t c = w->c;
    double h = GAMMA * dt;
    if (!still_good(y, place, h, wind_area, stack, cover, c))
        prepare(p, y, rows, n_rows, place, h, wind_area, stack, cover, w);
    forcing(rows, n_rows, place + h / ROW_S, w->f1);
    stage(p, w->f1, y, c, w->m, w->b, w->y1);
    for (int i = 0; i < 5; i++) c[C_SOURCE_1 + i] = c[C_SOURCE + i];
    for (int k = 0; k < N_STATE; k++) w->y2[k] = y[k] + FORWARD * (w->y1[k] - y[k]);
    forcing(rows, n_rows, place + dt / ROW_S, w->f2);
    stage(p, w->f2, w->y2, c, w->m, w->b, w->y2);
    if (fabs(w->y2[Y_AIR] - y[Y_AIR]) > limit) return 0;
    sums[S_STORED] += c[C_AIR_C] * (w->y2[Y_AIR] - y[Y_AIR]);
    double film_kg = y[Y_FILM];
    for (int k = 0; k < N_STATE; k++) {
        y[k] = w->y2[k];
        w->y1[k] += GAMMA * (w->y2[k] - w->y1[k]);
    }
    for (int k = 0; k < N_DRIVERS; k++) w->f1[k] += GAMMA * (w->f2[k] - w->f1[k]);
    for (int i = 0; i < 5; i++)
        c[C_SOURCE + i] = c[C_SOURCE_1 + i] + GAMMA * (c[C_SOURCE + i] - c[C_SOURCE_1 + i]);
    film_kg += add_flows(p, w->f1, w->y1, c, dt, sums);
    sums[S_COVER] += dt * cover;
    double most = FILM_MAX_KG_M2 * p[P_AREA + LID];
    y[Y_FILM] = film_kg < 0.0 ? 0.0 : film_kg > most ? most : film_kg;
    return 1;
}

static void advance(in_t p, double *y, in_t rows, int n_rows, double place, double dt, double wind_area, double stack,
                    double cover, work_t *w, out_t sums) {
    double done = 0.0, piece = dt;
    double move = fabs(wind_area - w->c[C_WIND_AREA]) + STACK_AS_WIND * fabs(stack - w->c[C_STACK]);
    if (move > MOVE_AREA_M2) piece = AFTER_MOVE_S;
    while (done < dt - 1e-9) {
        if (piece > dt - done) piece = dt - done;
        double limit = piece > SMALLEST_S ? AIR_LIMIT_K : 1e9;
        if (step(p, y, rows, n_rows, place + done / ROW_S, piece, wind_area, stack, cover, limit, w, sums)) {
            done += piece;
            piece *= 2.0;
        } else {
            piece *= 0.25;
        }
    }
}

/* A season with the lid open by shares[n % n_shares] of the flow coefficients in step n. */
void run(const double *table, const double *p, double *y, const double *rows, int n_rows, double place, int steps,
         double dt, const double *wind_area, const double *stack, int n_shares, double *sums) {
    static work_t w;
    memset(&w, 0, sizeof w);
    w.c[C_STEP] = -1.0;
    w.c[C_ROW] = -1e9;
    roots = table;
    for (int n = 0; n < steps; n++)
        advance(p, y, rows, n_rows, place + n * dt / ROW_S, dt, wind_area[n % n_shares], stack[n % n_shares], 0.0, &w,
                sums);
}
