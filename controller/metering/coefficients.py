"""Published coefficients of density and viscosity formulas, each set with its source."""

# Water: M. Tanaka et al., Metrologia 38 (2001) 301-309, adopted by CIPM; a1 to a5.
TANAKA = (-3.983035, 301.797, 522528.9, 69.34881, 999.974950)

# Water, Kell's form refitted to ITS-90: H. Bettin and F. Spieweck, PTB-Mitteilungen 100 (1990) 195; the water axis of
# the ICUMSA sucrose formula. Numerator by rising powers of t, and the one coefficient of the denominator.
BETTIN_SPIEWECK = (999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12)
BETTIN_SPIEWECK_BELOW = 16.887236e-3

# Ethanol-water: OIML R 22, International alcoholometric tables (1975), general formula; also Directive 76/766/EEC,
# Annex. A by rising powers of the mass fraction p; B by rising powers of t - 20 C, from the first; C[i - 1][k - 1]
# belongs to p^k (t - 20)^i.
OIML_A = (
    998.20123, -192.9769495, 389.1238958, -1668.103923, 13522.15441, -88292.78388,
    306287.4042, -613838.1234, 747017.2998, -547846.1354, 223446.0334, -39032.85426,
)  # fmt: skip
OIML_B = (
    -0.20618513, -0.0052682542, 3.6130013e-05, -3.8957702e-07, 7.169354e-09, -9.9739231e-11,
)  # fmt: skip
OIML_C = (
    (
        0.1693443461530087, -10.46914743455169, 71.96353469546523, -704.7478054272792, 3924.090430035045,
        -12101.64659068747, 22486.46550400788, -26055.62982188164, 18523.73922069467, -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701, 0.2517399633803461, -2.170575700536993, 13.53034988843029, -50.29988758547014,
        109.635566657757, -142.2753946421155, 108.043594285623, -44.14153236817392, 7.442971530188783,
    ),
    (
        -0.0006802995733503803, 0.01876837790289664, -0.2002561813734156, 1.02299296671922, -2.895696483903638,
        4.810060584300675, -4.672147440794683, 2.458043105903461, -0.5411227621436812,
    ),
    (
        4.075376675622027e-06, -8.76305857347111e-06, 6.515031360099368e-06, -1.51578483698721e-06,
    ),
    (
        -2.788074354782409e-08, 1.345612883493354e-08,
    ),
)  # fmt: skip
ETHANOL_KG_M3 = 789.24  # pure ethanol at 20 C; OIML R 22 with its erratum

# Sucrose: ICUMSA SPS-4 (Emmerich), as in M. A. Llano, 2005; ICUMSA_C[j][i] belongs to s^(i + 1) ((t - 20)/100)^j,
# s: mass fraction of sucrose, added to the density of water.
ICUMSA_C = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.289),
    (-46.272, -7.172, 1.1597, 5.1126, 17.5254),
    (59.7712, 7.2491, 12.363, -35.4791),
    (-47.2207, -21.6977, 27.6301),
    (18.3184, 12.3081),
)

# Viscosity of water at 0.1 MPa: IAPWS SR6-08(2011), equation 8; from memory, checked against IAPWS R12-08.
# mu = 1e-6 sum a (T/300 K)^b Pa s.
IAPWS_VISCOSITY = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))

# Viscosity of ethanol-water: Bingham and Jackson, printed in C. Simmonds, Alcohol (London 1919); mPa s, one row per
# temperature (C), one value per 10 % of ethanol by mass from 0 to 100 %.
BINGHAM_JACKSON = {
    0.0: (1.792, 3.311, 5.319, 6.94, 7.14, 6.58, 5.75, 4.762, 3.69, 2.732, 1.773),
    10.0: (1.308, 2.179, 3.165, 4.05, 4.39, 4.18, 3.77, 3.268, 2.71, 2.101, 1.466),
    20.0: (1.005, 1.538, 2.183, 2.71, 2.91, 2.87, 2.67, 2.37, 2.008, 1.61, 1.2),
    30.0: (0.801, 1.16, 1.553, 1.87, 2.02, 2.02, 1.93, 1.767, 1.531, 1.279, 1.003),
    40.0: (0.656, 0.907, 1.16, 1.368, 1.482, 1.499, 1.447, 1.344, 1.203, 1.035, 0.834),
    50.0: (0.549, 0.734, 0.907, 1.05, 1.132, 1.155, 1.127, 1.062, 0.968, 0.848, 0.702),
    60.0: (0.469, 0.609, 0.736, 0.834, 0.893, 0.913, 0.902, 0.856, 0.789, 0.704, 0.592),
    70.0: (0.406, 0.514, 0.608, 0.683, 0.727, 0.74, 0.729, 0.695, 0.65, 0.589, 0.504),
}
