//! The published numbers: reference functions (forward) and inverse polynomials of every type.
//!
//! Types B, E, J, K, N, R, S and T: NIST Standard Reference Database 60, which reproduces NIST Monograph 175;
//! the same functions stand in IEC 60584-1 and ASTM E230. Type C: ASTM E230 Table 7 (forward only; no inverse
//! is published, and no printed table is checked here: its numbers rest on the listing and on the two pieces
//! meeting). Temperatures in °C on ITS-90, voltages in mV against a reference junction at 0 °C.
//!
//! Nothing here is computed but the edges of the pieces. The tests below compare every number with the
//! published listing, and change every number on purpose to see that the printed tables would tell.
#![expect(
    clippy::unreadable_literal,
    reason = "digits stand as in the published listing, so that they can be compared by eye"
)]

use crate::Kind;
use crate::curve::{Curve, Exponential, Knots, Piece, Published};

/// Where type B's voltage has come back to zero on its way up, °C: the upper root of its lower polynomial,
/// 42.13209966, rounded up so that the voltage here is above zero.
///
/// Between 0 °C and here each voltage belongs to two temperatures.
pub(crate) const B_FOLD_END: f64 = 42.1321;

/// Where type B's voltage is lowest, °C: the root of the derivative of its lower polynomial.
pub(crate) const B_FOLD_BOTTOM: f64 = 21.020_261_884_768_56;

/// The curve of a type.
pub(crate) fn curve(kind: Kind) -> &'static Curve {
    match kind {
        Kind::B => &B,
        Kind::C => &C,
        Kind::E => &E,
        Kind::J => &J,
        Kind::K => &K,
        Kind::N => &N,
        Kind::R => &R,
        Kind::S => &S,
        Kind::T => &T,
    }
}

/// Platinum-30 % rhodium / platinum-6 % rhodium.
static B: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [0.0, 630.615],
            &[
                0.0,
                -2.4650818346e-4,
                5.9040421171e-6,
                -1.3257931636e-9,
                1.5668291901e-12,
                -1.694452924e-15,
                6.2990347094e-19,
            ],
        ),
        Piece::polynomial(
            [630.615, 1820.0],
            &[
                -3.8938168621,
                0.02857174747,
                -8.4885104785e-5,
                1.5785280164e-7,
                -1.6835344864e-10,
                1.1109794013e-13,
                -4.4515431033e-17,
                9.8975640821e-21,
                -9.3791330289e-25,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [0.291, 2.431],
                d: &[
                    98.423321, 699.715, -847.65304, 1005.2644, -833.45952, 455.08542, -155.23037, 29.88675,
                    -2.474286,
                ],
            },
            Published {
                emf: [2.431, 13.82],
                d: &[
                    213.15071,
                    285.10504,
                    -52.742887,
                    9.9160804,
                    -1.2965303,
                    0.1119587,
                    -0.0060625199,
                    1.8661696e-4,
                    -2.4878585e-6,
                ],
            },
        ],
        knots: Some(Knots::of(PIECES, B_FOLD_END, 251.0)),
    }
};

/// Tungsten-5 % rhenium / tungsten-26 % rhenium.
static C: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [0.0, 630.615],
            &[
                0.0,
                0.013406032,
                1.1924992e-5,
                -7.9806354e-9,
                -5.0787515e-12,
                1.3164197e-14,
                -7.9197332e-18,
            ],
        ),
        Piece::polynomial(
            [630.615, 2315.0],
            &[
                0.40528823,
                0.011509355,
                1.5696453e-5,
                -1.3704412e-8,
                5.2290873e-12,
                -9.2082758e-16,
                4.5245112e-20,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[],
        knots: Some(Knots::of(PIECES, 0.0, 2315.0)),
    }
};

/// Nickel-chromium / copper-nickel.
static E: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-270.0, 0.0],
            &[
                0.0,
                0.058665508708,
                4.5410977124e-5,
                -7.7998048686e-7,
                -2.5800160843e-8,
                -5.9452583057e-10,
                -9.3214058667e-12,
                -1.0287605534e-13,
                -8.0370123621e-16,
                -4.3979497391e-18,
                -1.6414776355e-20,
                -3.9673619516e-23,
                -5.5827328721e-26,
                -3.4657842013e-29,
            ],
        ),
        Piece::polynomial(
            [0.0, 1000.0],
            &[
                0.0,
                0.05866550871,
                4.5032275582e-5,
                2.8908407212e-8,
                -3.3056896652e-10,
                6.502440327e-13,
                -1.9197495504e-16,
                -1.2536600497e-18,
                2.1489217569e-21,
                -1.4388041782e-24,
                3.5960899481e-28,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-8.825, 0.0],
                d: &[
                    0.0,
                    16.977288,
                    -0.4351497,
                    -0.15859697,
                    -0.092502871,
                    -0.026084314,
                    -0.0041360199,
                    -3.403403e-4,
                    -1.156489e-5,
                ],
            },
            Published {
                emf: [0.0, 76.373],
                d: &[
                    0.0,
                    17.057035,
                    -0.23301759,
                    0.0065435585,
                    -7.3562749e-5,
                    -1.7896001e-6,
                    8.4036165e-8,
                    -1.3735879e-9,
                    1.0629823e-11,
                    -3.2447087e-14,
                ],
            },
        ],
        knots: Some(Knots::of(PIECES, -270.0, -199.0)),
    }
};

/// Iron / copper-nickel.
static J: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-210.0, 760.0],
            &[
                0.0,
                0.050381187815,
                3.047583693e-5,
                -8.568106572e-8,
                1.3228195295e-10,
                -1.7052958337e-13,
                2.0948090697e-16,
                -1.2538395336e-19,
                1.5631725697e-23,
            ],
        ),
        Piece::polynomial(
            [760.0, 1200.0],
            &[
                296.45625681,
                -1.4976127786,
                0.0031787103924,
                -3.1847686701e-6,
                1.5720819004e-9,
                -3.0691369056e-13,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-8.095, 0.0],
                d: &[
                    0.0,
                    19.528268,
                    -1.2286185,
                    -1.0752178,
                    -0.59086933,
                    -0.17256713,
                    -0.028131513,
                    -0.002396337,
                    -8.3823321e-5,
                ],
            },
            Published {
                emf: [0.0, 42.919],
                d: &[
                    0.0,
                    19.78425,
                    -0.2001204,
                    0.01036969,
                    -2.549687e-4,
                    3.585153e-6,
                    -5.344285e-8,
                    5.09989e-10,
                ],
            },
            Published {
                emf: [42.919, 69.553],
                d: &[
                    -3113.58187,
                    300.543684,
                    -9.9477323,
                    0.17027663,
                    -0.00143033468,
                    4.73886084e-6,
                ],
            },
        ],
        knots: None,
    }
};

/// Nickel-chromium / nickel-aluminium.
static K: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-270.0, 0.0],
            &[
                0.0,
                0.039450128025,
                2.3622373598e-5,
                -3.2858906784e-7,
                -4.9904828777e-9,
                -6.7509059173e-11,
                -5.7410327428e-13,
                -3.1088872894e-15,
                -1.0451609365e-17,
                -1.9889266878e-20,
                -1.6322697486e-23,
            ],
        ),
        // The voltages at the two ends are written out because `exp` can't run at compile time; a test recomputes them.
        Piece::with_exponential(
            [0.0, 1372.0],
            [1.9740837610415785e-9, 54.886364025304545],
            &[
                -0.017600413686,
                0.038921204975,
                1.8558770032e-5,
                -9.9457592874e-8,
                3.1840945719e-10,
                -5.6072844889e-13,
                5.6075059059e-16,
                -3.2020720003e-19,
                9.7151147152e-23,
                -1.2104721275e-26,
            ],
            Exponential {
                a0: 0.1185976,
                a1: -1.183432e-4,
                a2: 126.9686,
            },
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-5.891, 0.0],
                d: &[
                    0.0,
                    25.173462,
                    -1.1662878,
                    -1.0833638,
                    -0.8977354,
                    -0.37342377,
                    -0.086632643,
                    -0.010450598,
                    -5.1920577e-4,
                ],
            },
            Published {
                emf: [0.0, 20.644],
                d: &[
                    0.0,
                    25.08355,
                    0.07860106,
                    -0.2503131,
                    0.0831527,
                    -0.01228034,
                    9.804036e-4,
                    -4.41303e-5,
                    1.057734e-6,
                    -1.052755e-8,
                ],
            },
            Published {
                emf: [20.644, 54.886],
                d: &[
                    -131.8058,
                    48.30222,
                    -1.646031,
                    0.05464731,
                    -9.650715e-4,
                    8.802193e-6,
                    -3.11081e-8,
                ],
            },
        ],
        knots: Some(Knots::of(PIECES, -270.0, -199.0)),
    }
};

/// Nickel-chromium-silicon / nickel-silicon.
static N: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-270.0, 0.0],
            &[
                0.0,
                0.026159105962,
                1.0957484228e-5,
                -9.3841111554e-8,
                -4.6412039759e-11,
                -2.6303357716e-12,
                -2.2653438003e-14,
                -7.6089300791e-17,
                -9.3419667835e-20,
            ],
        ),
        Piece::polynomial(
            [0.0, 1300.0],
            &[
                0.0,
                0.025929394601,
                1.571014188e-5,
                4.3825627237e-8,
                -2.5261169794e-10,
                6.4311819339e-13,
                -1.0063471519e-15,
                9.9745338992e-19,
                -6.0863245607e-22,
                2.0849229339e-25,
                -3.0682196151e-29,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-3.99, 0.0],
                d: &[
                    0.0,
                    38.436847,
                    1.1010485,
                    5.2229312,
                    7.2060525,
                    5.8488586,
                    2.7754916,
                    0.77075166,
                    0.11582665,
                    0.0073138868,
                ],
            },
            Published {
                emf: [0.0, 20.613],
                d: &[
                    0.0,
                    38.6896,
                    -1.08267,
                    0.0470205,
                    -2.12169e-6,
                    -1.17272e-4,
                    5.3928e-6,
                    -7.98156e-8,
                ],
            },
            Published {
                emf: [20.613, 47.513],
                d: &[
                    19.72485,
                    33.00943,
                    -0.3915159,
                    0.009855391,
                    -1.274371e-4,
                    7.767022e-7,
                ],
            },
        ],
        knots: Some(Knots::of(PIECES, -270.0, -199.0)),
    }
};

/// Platinum-13 % rhodium / platinum.
static R: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-50.0, 1064.18],
            &[
                0.0,
                0.00528961729765,
                1.39166589782e-5,
                -2.38855693017e-8,
                3.56916001063e-11,
                -4.62347666298e-14,
                5.00777441034e-17,
                -3.73105886191e-20,
                1.57716482367e-23,
                -2.81038625251e-27,
            ],
        ),
        Piece::polynomial(
            [1064.18, 1664.5],
            &[
                2.95157925316,
                -0.00252061251332,
                1.59564501865e-5,
                -7.64085947576e-9,
                2.05305291024e-12,
                -2.93359668173e-16,
            ],
        ),
        Piece::polynomial(
            [1664.5, 1768.1],
            &[
                152.232118209,
                -0.268819888545,
                1.71280280471e-4,
                -3.45895706453e-8,
                -9.34633971046e-15,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-0.226, 1.923],
                d: &[
                    0.0, 188.9138, -93.83529, 130.68619, -227.0358, 351.45659, -389.539, 282.39471,
                    -126.07281, 31.353611, -3.3187769,
                ],
            },
            Published {
                emf: [1.923, 13.228],
                d: &[
                    13.34584505,
                    147.2644573,
                    -18.44024844,
                    4.031129726,
                    -0.624942836,
                    0.06468412046,
                    -0.004458750426,
                    1.994710149e-4,
                    -5.31340179e-6,
                    6.481976217e-8,
                ],
            },
            Published {
                emf: [11.361, 19.739],
                d: &[
                    -81.99599416,
                    155.3962042,
                    -8.342197663,
                    0.4279433549,
                    -0.0119157791,
                    1.492290091e-4,
                ],
            },
            Published {
                emf: [19.739, 21.103],
                d: &[34061.77836, -7023.729171, 558.2903813, -19.52394635, 0.2560740231],
            },
        ],
        knots: None,
    }
};

/// Platinum-10 % rhodium / platinum.
static S: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-50.0, 1064.18],
            &[
                0.0,
                0.00540313308631,
                1.2593428974e-5,
                -2.32477968689e-8,
                3.22028823036e-11,
                -3.31465196389e-14,
                2.55744251786e-17,
                -1.25068871393e-20,
                2.71443176145e-24,
            ],
        ),
        Piece::polynomial(
            [1064.18, 1664.5],
            &[
                1.32900444085,
                0.00334509311344,
                6.54805192818e-6,
                -1.64856259209e-9,
                1.29989605174e-14,
            ],
        ),
        Piece::polynomial(
            [1664.5, 1768.1],
            &[
                146.628232636,
                -0.258430516752,
                1.63693574641e-4,
                -3.30439046987e-8,
                -9.43223690612e-15,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-0.235, 1.874],
                d: &[
                    0.0,
                    184.94946,
                    -80.0504062,
                    102.23743,
                    -152.248592,
                    188.821343,
                    -159.085941,
                    82.302788,
                    -23.4181944,
                    2.7978626,
                ],
            },
            Published {
                emf: [1.874, 11.95],
                d: &[
                    12.91507177,
                    146.6298863,
                    -15.34713402,
                    3.145945973,
                    -0.4163257839,
                    0.03187963771,
                    -0.0012916375,
                    2.183475087e-5,
                    -1.447379511e-7,
                    8.211272125e-9,
                ],
            },
            Published {
                emf: [10.332, 17.536],
                d: &[
                    -80.87801117,
                    162.1573104,
                    -8.536869453,
                    0.4719686976,
                    -0.01441693666,
                    2.08161889e-4,
                ],
            },
            Published {
                emf: [17.536, 18.693],
                d: &[53338.75126, -12358.92298, 1092.657613, -42.65693686, 0.624720542],
            },
        ],
        knots: None,
    }
};

/// Copper / copper-nickel.
static T: Curve = {
    const PIECES: &[Piece] = &[
        Piece::polynomial(
            [-270.0, 0.0],
            &[
                0.0,
                0.038748106364,
                4.4194434347e-5,
                1.1844323105e-7,
                2.0032973554e-8,
                9.0138019559e-10,
                2.2651156593e-11,
                3.6071154205e-13,
                3.8493939883e-15,
                2.8213521925e-17,
                1.4251594779e-19,
                4.8768662286e-22,
                1.079553927e-24,
                1.3945027062e-27,
                7.9795153927e-31,
            ],
        ),
        Piece::polynomial(
            [0.0, 400.0],
            &[
                0.0,
                0.038748106364,
                3.329222788e-5,
                2.0618243404e-7,
                -2.1882256846e-9,
                1.0996880928e-11,
                -3.0815758772e-14,
                4.547913529e-17,
                -2.7512901673e-20,
            ],
        ),
    ];
    Curve {
        pieces: PIECES,
        published: &[
            Published {
                emf: [-5.603, 0.0],
                d: &[
                    0.0,
                    25.949192,
                    -0.21316967,
                    0.79018692,
                    0.42527777,
                    0.13304473,
                    0.020241446,
                    0.0012668171,
                ],
            },
            Published {
                emf: [0.0, 20.872],
                d: &[
                    0.0,
                    25.928,
                    -0.7602961,
                    0.04637791,
                    -0.002165394,
                    6.048144e-5,
                    -7.293422e-7,
                ],
            },
        ],
        knots: Some(Knots::of(PIECES, -270.0, -199.0)),
    }
};

#[cfg(test)]
mod tests {
    use super::*;

    /// Largest step between neighbouring pieces, mV: type C at 630.615 °C has 1.41e-7, all others less.
    const STEP_MAX: f64 = 1.5e-7;

    /// Half of the last printed digit, mV.
    const HALF_DIGIT: f64 = 0.000_500_01;

    /// Printed table of a type, (°C, mV). Source: tables of NIST Standard Reference Database 60.
    fn printed_table(kind: Kind) -> Vec<(f64, f64)> {
        include_str!("../tests/data/tc_table_points.csv")
            .lines()
            .skip(1)
            .map(|line| line.split(',').collect::<Vec<_>>())
            .filter(|row| row[0] == kind.letter())
            .map(|row| {
                (
                    row[1].parse().expect("a number"),
                    row[2].parse().expect("a number"),
                )
            })
            .collect()
    }

    /// What is wrong with the pieces by what is known from outside: the printed table, zero at 0 °C, no steps.
    fn complaint(kind: Kind, pieces: &[Piece], table: &[(f64, f64)]) -> Option<String> {
        for pair in pieces.windows(2) {
            let t = pair[1].range[0];
            if pair[0].range[1].to_bits() != t.to_bits() {
                return Some(format!("type {kind}: pieces don't meet at {t} °C"));
            }
            let step = (pair[1].emf(t) - pair[0].emf(t)).abs();
            if !(0.0..=STEP_MAX).contains(&step) {
                return Some(format!("type {kind}: step of {step:e} mV at {t} °C"));
            }
        }
        let at = |t: f64| {
            let piece = pieces
                .iter()
                .find(|piece| t <= piece.range[1])
                .expect("inside the range");
            piece.emf(t)
        };
        table
            .iter()
            .chain(&[(0.0, 0.0)])
            .find(|&&(t, printed)| !(0.0..=HALF_DIGIT).contains(&(at(t) - printed).abs()))
            .map(|&(t, printed)| format!("type {kind} at {t} °C: {} mV, printed {printed}", at(t)))
    }

    /// Slips that a typist makes with one coefficient.
    fn slips(c: f64) -> Vec<(&'static str, f64)> {
        // A zero can only be replaced by something.
        if c.to_bits() == 0 {
            return vec![("digit where none is", 0.001)];
        }
        let mut slips = vec![
            ("sign", -c),
            ("power up", c * 10.0),
            ("power down", c / 10.0),
            ("left out", 0.0),
        ];
        let digits = format!("{c:e}");
        let first = digits.find(|d: char| d.is_ascii_digit()).expect("a digit");
        // First three significant digits are at `first`, and behind the point at `first + 2` and `first + 3`.
        for (what, i, j) in [
            ("first digits swapped", first, first + 2),
            ("next digits swapped", first + 2, first + 3),
        ] {
            let mut bytes = digits.clone().into_bytes();
            if j < bytes.len()
                && bytes[i].is_ascii_digit()
                && bytes[j].is_ascii_digit()
                && bytes[i] != bytes[j]
            {
                bytes.swap(i, j);
                let swapped = String::from_utf8(bytes).expect("still text");
                slips.push((what, swapped.parse().expect("still a number")));
            }
        }
        slips
    }

    #[test]
    fn every_slip_in_a_forward_coefficient_is_seen() {
        let mut tried = 0;
        for kind in Kind::ALL {
            let table = printed_table(kind);
            let good = curve(kind).pieces;
            assert_eq!(complaint(kind, good, &table), None);
            for (p, piece) in good.iter().enumerate() {
                let mut expect_complaint = |what: &str, i: usize, changed: Piece| {
                    let mut pieces = good.to_vec();
                    pieces[p] = changed;
                    tried += 1;
                    assert!(
                        complaint(kind, &pieces, &table).is_some(),
                        "type {kind}, piece {p}, coefficient {i}: {what} goes unseen"
                    );
                };
                let with = |c: Vec<f64>| Piece {
                    c: Box::leak(c.into_boxed_slice()),
                    ..*piece
                };
                for i in 0..piece.c.len() {
                    for (what, value) in slips(piece.c[i]) {
                        let mut c = piece.c.to_vec();
                        c[i] = value;
                        expect_complaint(what, i, with(c));
                    }
                    if i + 1 < piece.c.len() {
                        let mut c = piece.c.to_vec();
                        c.swap(i, i + 1);
                        expect_complaint("swapped with the next", i, with(c));
                    }
                }
                if let Some(x) = piece.exponential {
                    for (a, (what, value)) in [x.a0, x.a1, x.a2]
                        .into_iter()
                        .enumerate()
                        .flat_map(|(a, value)| slips(value).into_iter().map(move |slip| (a, slip)))
                    {
                        let mut x = x;
                        *[&mut x.a0, &mut x.a1, &mut x.a2][a] = value;
                        expect_complaint(
                            what,
                            a,
                            Piece {
                                exponential: Some(x),
                                ..*piece
                            },
                        );
                    }
                    expect_complaint(
                        "no exponential",
                        0,
                        Piece {
                            exponential: None,
                            ..*piece
                        },
                    );
                }
            }
        }
        assert!(tried > 900, "{tried} slips tried");
    }

    /// One public listing of type C has its break at 783 °C. The pieces differ by 0.05 mV there.
    #[test]
    fn a_misplaced_break_is_seen() {
        let mut pieces = curve(Kind::C).pieces.to_vec();
        pieces[0].range[1] = 783.0;
        pieces[1].range[0] = 783.0;
        assert!(complaint(Kind::C, &pieces, &[]).is_some());
    }

    /// Source: NIST Standard Reference Database 60 and ASTM E230 Table 7, as listed in the file.
    #[test]
    fn every_number_equals_the_listing() {
        let mut listed = 0;
        for line in include_str!("../tests/data/tc_coefficients.csv").lines().skip(1) {
            let row: Vec<&str> = line.split(',').collect();
            let number = |i: usize| {
                row[i]
                    .parse::<f64>()
                    .unwrap_or_else(|error| panic!("{line}: {error}"))
            };
            let curve = curve(row[0].parse().expect("a letter"));
            let segment: usize = row[2].parse().expect("a count");
            let (name, index) = row[7].split_at(1);
            let index: usize = index.parse().expect("an index");
            let ours = match (row[1], name) {
                ("forward", "a") => {
                    let x = curve.pieces[segment].exponential.expect("an exponential term");
                    [x.a0, x.a1, x.a2][index]
                }
                ("forward", _) => curve.pieces[segment].c[index],
                _ => curve.published[segment].d[index],
            };
            let (ends, listed_ends) = if row[1] == "forward" {
                (curve.pieces[segment].range, [number(3), number(4)])
            } else {
                (curve.published[segment].emf, [number(5), number(6)])
            };
            assert_eq!(ours.to_bits(), number(8).to_bits(), "{line}");
            assert_eq!(ends.map(f64::to_bits), listed_ends.map(f64::to_bits), "{line}");
            listed += 1;
        }
        let ours: usize = Kind::ALL
            .into_iter()
            .map(curve)
            .map(|curve| {
                let forward: usize = curve
                    .pieces
                    .iter()
                    .map(|piece| piece.c.len() + if piece.exponential.is_some() { 3 } else { 0 })
                    .sum();
                forward + curve.published.iter().map(|p| p.d.len()).sum::<usize>()
            })
            .sum();
        assert_eq!(ours, listed, "as many numbers here as in the listing");
    }

    /// The two that can't be computed at compile time, and type B's two temperatures.
    #[test]
    fn written_out_values_are_what_they_claim() {
        let upper = &curve(Kind::K).pieces[1];
        for end in [0, 1] {
            assert!((upper.emf(upper.range[end]) - upper.emf[end]).abs() < 1e-12);
        }
        let lower = &curve(Kind::B).pieces[0];
        let bottom = lower.emf(B_FOLD_BOTTOM);
        for nearby in [-1e-3, 1e-3] {
            assert!(lower.emf(B_FOLD_BOTTOM + nearby) > bottom);
        }
        assert!(lower.emf(B_FOLD_END) > 0.0 && lower.emf(B_FOLD_END - 1e-6) < 0.0);
    }
}
