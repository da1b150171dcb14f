"""Make ``data/carbonate_reference.npz`` and ``data/carbonate_reference_slopes.npz``.

The first holds 10,000 random states solved with 40 digits; the second, for 40 of them, how the
results change with the logarithm of every constant, by differences of 1e-15 in 40 digits.

Run:  python tests/seawater/make_reference_states.py   (some minutes)

Written apart from the package, straight from the published equations named beside each formula,
in arbitrary precision, with bisection until 1e-6 and Newton afterwards, and each root proven by
a change of sign 1e-30 on either side. The states are invented: uniform over ranges far wider
than any ocean. Inputs are rounded to few digits so that they are exact as printed.
"""

from __future__ import annotations

from pathlib import Path

import mpmath as mp
import numpy as np

COUNT = 10_000
mp.mp.dps = 40
F = mp.mpf
MICRO = 1_000_000
BUMPED = ("0", "1", "2", "B", "W", "S", "F", "P1", "P2", "P3", "Si", "spa", "spc", "TB", "Ca")


def pressure(t, p, a0, a1, a2, b0, b1):
    """Millero 1995: ln(KP/K0) = -(dV/RT) P + 0.5 (dk/RT) P^2, R = 83.14472 cm3 bar / (mol K)."""
    c = t - F("273.15")
    rt = F("83.14472") * t
    volume = F(a0) + F(a1) * c + F(a2) * c**2
    kappa = F(b0) + F(b1) * c
    return -volume / rt * p + kappa / (2 * rt) * p**2


def constants(temperature, s, p_dbar, bump):
    """Defaults of the 2007 guide, total scale; KS and KF free; `bump` adds to logarithms."""
    t, p = temperature + F("273.15"), p_dbar / 10
    ln, root = mp.log(t), mp.sqrt(s)
    i = F("19.924") * s / (1000 - F("1.005") * s)
    w = mp.log(1 - F("0.001005") * s)
    ten = mp.log(10)
    k = {}
    # Lueker et al. 2000, abstract
    pk1 = F("3633.86") / t - F("61.2172") + F("9.67770") * ln - F("0.011555") * s + F("0.0001152") * s**2
    pk2 = F("471.78") / t + F("25.9290") - F("3.16967") * ln - F("0.01781") * s + F("0.0001122") * s**2
    k["1"] = mp.exp(-ten * pk1 + pressure(t, p, "-25.50", "0.1271", "0", "-3.08e-3", "0.0877e-3"))
    k["2"] = mp.exp(-ten * pk2 + pressure(t, p, "-15.82", "-0.0219", "0", "1.13e-3", "-0.1475e-3"))
    # Weiss 1974
    x = t / 100
    k["0"] = mp.exp(
        F("93.4517") / x
        - F("60.2409")
        + F("23.3585") * mp.log(x)
        + s * (F("0.023517") - F("0.023656") * x + F("0.0047036") * x**2)
    )
    # Dickson 1990 (boric acid)
    k["B"] = mp.exp(
        (F("-8966.90") - F("2890.53") * root - F("77.942") * s + F("1.728") * root**3 - F("0.0996") * s**2) / t
        + F("148.0248")
        + F("137.1942") * root
        + F("1.62142") * s
        + (F("-24.4344") - F("25.085") * root - F("0.2474") * s) * ln
        + F("0.053105") * root * t
        + pressure(t, p, "-29.48", "0.1622", "-2.608e-3", "-2.84e-3", "0")
    )
    # Millero 1995 (water)
    k["W"] = mp.exp(
        F("148.9652")
        - F("13847.26") / t
        - F("23.6521") * ln
        + (F("118.67") / t - F("5.977") + F("1.0495") * ln) * root
        - F("0.01615") * s
        + pressure(t, p, "-25.60", "0.2324", "-3.6246e-3", "-5.13e-3", "0.0794e-3")
    )
    # Dickson 1990 (bisulfate), free scale
    k["S"] = mp.exp(
        F("-4276.1") / t
        + F("141.328")
        - F("23.093") * ln
        + (F("-13856") / t + F("324.57") - F("47.986") * ln) * mp.sqrt(i)
        + (F("35474") / t - F("771.54") + F("114.723") * ln) * i
        - F("2698") / t * i ** F("1.5")
        + F("1776") / t * i**2
        + w
        + pressure(t, p, "-18.03", "0.0466", "0.316e-3", "-4.53e-3", "0.0900e-3")
    )
    k["S"] *= mp.exp(bump.get("S", 0))
    st = F("0.14") / F("96.062") * s / F("1.80655")
    ratio = 1 + st / k["S"]
    # Perez and Fraga 1987, total scale, brought to the free scale
    k["F"] = (
        mp.exp(
            F("874") / t
            - F("9.68")
            + F("0.111") * root
            + pressure(t, p, "-9.78", "-0.0090", "-0.942e-3", "-3.91e-3", "0.054e-3")
        )
        / ratio
    )
    # Millero 1995 (phosphoric and silicic acid)
    k["P1"] = mp.exp(
        F("-4576.752") / t
        + F("115.525")
        - F("18.453") * ln
        + (F("-106.736") / t + F("0.69171")) * root
        + (F("-0.65643") / t - F("0.01844")) * s
        + pressure(t, p, "-14.51", "0.1211", "-0.321e-3", "-2.67e-3", "0.0427e-3")
    )
    k["P2"] = mp.exp(
        F("-8814.715") / t
        + F("172.0883")
        - F("27.927") * ln
        + (F("-160.340") / t + F("1.3566")) * root
        + (F("0.37335") / t - F("0.05778")) * s
        + pressure(t, p, "-23.12", "0.1758", "-2.647e-3", "-5.15e-3", "0.09e-3")
    )
    k["P3"] = mp.exp(
        F("-3070.75") / t
        - F("18.141")
        + (F("17.27039") / t + F("2.81197")) * root
        + (F("-44.99486") / t - F("0.09984")) * s
        + pressure(t, p, "-26.57", "0.2020", "-3.042e-3", "-4.08e-3", "0.0714e-3")
    )
    k["Si"] = mp.exp(
        F("-8904.2") / t
        + F("117.385")
        - F("19.334") * ln
        + (F("-458.79") / t + F("3.5913")) * mp.sqrt(i)
        + (F("188.74") / t - F("1.5998")) * i
        + (F("-12.1652") / t + F("0.07871")) * i**2
        + w
        + pressure(t, p, "-29.48", "0.1622", "-2.608e-3", "-2.84e-3", "0")
    )
    # Mucci 1983
    log10 = ln / ten
    k["spa"] = mp.exp(
        ten
        * (
            F("-171.945")
            - F("0.077993") * t
            + F("2903.293") / t
            + F("71.595") * log10
            + (F("-0.068393") + F("0.0017276") * t + F("88.135") / t) * root
            - F("0.10018") * s
            + F("0.0059415") * root**3
        )
        + pressure(t, p, "-45.96", "0.5304", "0", "-11.76e-3", "0.3692e-3")
    )
    k["spc"] = mp.exp(
        ten
        * (
            F("-171.9065")
            - F("0.077993") * t
            + F("2839.319") / t
            + F("71.595") * log10
            + (F("-0.77712") + F("0.0028426") * t + F("178.34") / t) * root
            - F("0.07711") * s
            + F("0.0041249") * root**3
        )
        + pressure(t, p, "-48.76", "0.5304", "0", "-11.76e-3", "0.3692e-3")
    )
    for name, change in bump.items():
        if name in k and name != "S":
            k[name] *= mp.exp(change)
    totals = {
        "B": mp.exp(bump.get("TB", 0)) * F("0.000232") / F("10.811") * s / F("1.80655"),
        "S": st,
        "F": F("0.000067") / F("18.998") * s / F("1.80655"),
        "Ca": mp.exp(bump.get("Ca", 0)) * F("0.02128") / F("40.087") * s / F("1.80655"),
    }
    return k, totals, ratio


def alkalinity(h, dic, po4, si, k, totals, ratio):
    """Definition of Dickson 1981 with every species written out."""
    free = h / ratio
    c = dic * k["1"] * k["2"] / (h**2 + k["1"] * h + k["1"] * k["2"])
    b = c * h / k["2"]
    q = h**3 + k["P1"] * h**2 + k["P1"] * k["P2"] * h + k["P1"] * k["P2"] * k["P3"]
    return (
        b
        + 2 * c
        + totals["B"] * k["B"] / (k["B"] + h)
        + k["W"] / h
        + po4 * (k["P1"] * k["P2"] * h + 2 * k["P1"] * k["P2"] * k["P3"] - h**3) / q
        + si * k["Si"] / (k["Si"] + h)
        - free
        - totals["S"] / (1 + k["S"] / free)
        - totals["F"] / (1 + k["F"] / free)
    )


def root_of(function, low, high):
    """Root of a falling function of u: bisection in float steps, then Newton to 36 digits."""
    while high - low > F("1e-6"):
        middle = (low + high) / 2
        if function(middle) > 0:
            low = middle
        else:
            high = middle
    u = (low + high) / 2
    step = F("1e-18")
    for _ in range(8):
        slope = (function(u + step) - function(u - step)) / (2 * step)
        change = function(u) / slope
        u -= change
        if abs(change) < F("1e-36"):
            break
    if not function(u - F("1e-30")) > 0 > function(u + F("1e-30")):
        message = "no change of sign around the root"
        raise ArithmeticError(message)
    return u


def exact(row):
    """Return the inputs of a row as exact decimals, concentrations in mol/kg."""
    temperature, s, p, ta, dic, po4, si = (F(repr(float(v))) for v in row)
    return temperature, s, p, ta / MICRO, dic / MICRO, po4 / MICRO, si / MICRO


def reference(row):
    """Return pH, CO2, bicarbonate, carbonate, fCO2, saturations and Revelle factor of a state."""
    temperature, s, p, ta, dic, po4, si = exact(row)
    k, totals, ratio = constants(temperature, s, p, {})

    def at(some_dic, low, high):
        return root_of(lambda u: alkalinity(mp.exp(u), some_dic, po4, si, k, totals, ratio) - ta, low, high)

    def co2(u, some_dic):
        h = mp.exp(u)
        return some_dic / (1 + k["1"] / h + k["1"] * k["2"] / h**2)

    u = at(dic, mp.log(F("1e-13")), mp.log(F("1e-1")))
    h = mp.exp(u)
    a = co2(u, dic)
    b, c = a * k["1"] / h, a * k["1"] * k["2"] / h**2
    step = dic * F("1e-14")
    near = (u - F("4e-7"), u + F("4e-7"))
    above, below = (co2(at(dic + d, *near), dic + d) for d in (step, -step))
    revelle = (mp.log(above) - mp.log(below)) / (2 * step) * dic
    return [
        -u / mp.log(10),
        a * MICRO,
        b * MICRO,
        c * MICRO,
        a * MICRO / k["0"],
        c * totals["Ca"] / k["spa"],
        c * totals["Ca"] / k["spc"],
        revelle,
    ]


def slopes(row):
    """Return d(pH, fCO2, carbonate, aragonite saturation) / d ln of every constant."""
    temperature, s, p, ta, dic, po4, si = exact(row)

    def results(bump):
        k, totals, ratio = constants(temperature, s, p, bump)
        u = root_of(
            lambda u: alkalinity(mp.exp(u), dic, po4, si, k, totals, ratio) - ta,
            mp.log(F("1e-13")),
            mp.log(F("1e-1")),
        )
        h = mp.exp(u)
        a = dic / (1 + k["1"] / h + k["1"] * k["2"] / h**2)
        c = a * k["1"] * k["2"] / h**2
        return [-u / mp.log(10), a * MICRO / k["0"], c * MICRO, c * totals["Ca"] / k["spa"]]

    step = F("1e-15")
    table = []
    for name in BUMPED:
        above, below = results({name: step}), results({name: -step})
        table.append([float((x - y) / (2 * step)) for x, y in zip(above, below, strict=True)])
    return table


def main() -> None:
    rng = np.random.default_rng(1983)
    ta = rng.uniform(50.0, 6000.0, COUNT).round(1)
    inputs = np.column_stack(
        [
            rng.uniform(-1.0, 40.0, COUNT).round(2),
            rng.uniform(1.0, 45.0, COUNT).round(2),
            rng.uniform(0.0, 6000.0, COUNT).round(0),
            ta,
            (ta * rng.uniform(0.35, 1.3, COUNT)).round(1),
            rng.uniform(0.0, 5.0, COUNT).round(2),
            rng.uniform(0.0, 200.0, COUNT).round(1),
        ]
    )
    outputs = np.array([[float(v) for v in reference(row)] for row in inputs])
    np.savez_compressed(Path(__file__).parent / "data" / "carbonate_reference.npz", inputs=inputs, outputs=outputs)


if __name__ == "__main__":
    main()
