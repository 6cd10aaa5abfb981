//! Layouts that a long search found good on average heads, to start from on others.

use super::genes::Gene;

/// One dart of a known layout, or a mirror pair of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Start {
    /// Mouth as in [`Gene::mouth`].
    pub(super) mouth: f64,
    /// Its point in parts of the head, on the client's right: see [`crate::patch::Head::in_parts`].
    pub(super) point: [f64; 3],
}

/// Evenly spread behind the front hairline and square to the edge; an odd dart last, at the nape.
pub(super) fn radial(count: usize) -> Vec<Gene> {
    let pairs = count / 2;
    let mut genes: Vec<Gene> = (0..pairs)
        .map(|k| Gene {
            mouth: 0.42 + 0.5 * (k as f64 + 0.5) / pairs as f64,
            lean: 0.0,
            depth: 0.27,
        })
        .collect();
    if count % 2 == 1 {
        genes.push(Gene {
            mouth: 1.0,
            lean: 0.0,
            depth: 0.27,
        });
    }
    genes
}

/// Known layouts for a number of darts: mirror pairs first, an odd dart last. Long searches with many restarts
/// found them on the form as it is and with other readings (`examples/layouts.rs`), and on the average scalp of
/// PyPI `mne`. They differ in where darts run, and moving darts about hardly ever leads from one to the other:
/// so the more of them the better.
pub(super) fn known(count: usize) -> Vec<Vec<Start>> {
    let start = |mouth, point| Start { mouth, point };
    match count {
        2 => vec![
            vec![start(0.942, [0.080, 0.151, 0.952])],
            vec![start(0.938, [0.108, 0.167, 0.941])],
        ],
        3 => vec![
            vec![
                start(0.886, [0.086, 0.195, 0.942]),
                start(0.985, [0.000, -0.467, 0.971]),
            ],
            vec![
                start(0.889, [0.143, 0.037, 0.966]),
                start(0.985, [0.000, -1.133, -0.052]),
            ],
        ],
        4 => vec![
            vec![
                start(0.942, [0.222, -0.139, 0.978]),
                start(0.537, [0.177, 0.464, 0.836]),
            ],
            vec![
                start(0.946, [0.244, -0.080, 0.964]),
                start(0.563, [0.150, 0.343, 0.846]),
            ],
            vec![
                start(0.934, [0.324, -0.321, 0.957]),
                start(0.462, [0.261, 0.349, 0.871]),
            ],
            vec![
                start(0.892, [0.243, -0.358, 0.970]),
                start(0.538, [0.256, 0.307, 0.885]),
            ],
            vec![
                start(0.943, [0.251, -0.338, 0.980]),
                start(0.543, [0.104, 0.260, 0.905]),
            ],
            vec![
                start(0.942, [0.273, -0.229, 0.964]),
                start(0.525, [0.127, 0.423, 0.853]),
            ],
            vec![
                start(0.930, [0.293, -0.206, 0.962]),
                start(0.525, [0.177, 0.397, 0.857]),
            ],
            vec![
                start(0.944, [0.291, -0.151, 0.959]),
                start(0.533, [0.181, 0.590, 0.783]),
            ],
            vec![
                start(0.944, [0.191, -0.339, 0.987]),
                start(0.474, [0.209, 0.403, 0.825]),
            ],
        ],
        5 => vec![
            vec![
                start(0.844, [0.225, -0.172, 0.980]),
                start(0.536, [0.098, 0.589, 0.795]),
                start(0.985, [0.000, -0.649, 0.887]),
            ],
            vec![
                start(0.857, [0.237, -0.265, 0.980]),
                start(0.532, [0.083, 0.446, 0.821]),
                start(0.985, [0.000, -0.655, 0.953]),
            ],
            vec![
                start(0.871, [0.231, -0.233, 0.981]),
                start(0.538, [0.094, 0.480, 0.830]),
                start(0.985, [0.000, -0.717, 0.913]),
            ],
            vec![
                start(0.887, [0.176, -0.241, 0.985]),
                start(0.523, [0.093, 0.626, 0.727]),
                start(0.985, [0.000, -0.488, 0.989]),
            ],
            vec![
                start(0.870, [0.274, -0.316, 0.969]),
                start(0.549, [0.101, 0.364, 0.896]),
                start(0.985, [0.000, -1.106, 0.330]),
            ],
            vec![
                start(0.879, [0.310, -0.250, 0.958]),
                start(0.534, [0.178, 0.557, 0.802]),
                start(0.985, [0.000, -0.997, 0.544]),
            ],
            vec![
                start(0.845, [0.228, -0.179, 0.980]),
                start(0.535, [0.175, 0.544, 0.808]),
                start(0.985, [0.000, -0.680, 0.867]),
            ],
        ],
        6 => vec![
            vec![
                start(0.932, [0.252, -0.427, 0.952]),
                start(0.478, [0.136, 0.624, 0.769]),
                start(0.609, [0.236, -0.227, 0.973]),
            ],
            vec![
                start(0.941, [0.179, -0.504, 0.942]),
                start(0.493, [0.198, 0.491, 0.824]),
                start(0.823, [0.293, -0.173, 0.960]),
            ],
            vec![
                start(0.930, [0.147, -0.381, 0.975]),
                start(0.484, [0.156, 0.660, 0.745]),
                start(0.835, [0.271, -0.116, 0.961]),
            ],
            vec![
                start(0.935, [0.233, -0.514, 0.937]),
                start(0.474, [0.221, 0.577, 0.790]),
                start(0.792, [0.439, -0.228, 0.927]),
            ],
            vec![
                start(0.857, [0.218, -0.758, 0.799]),
                start(0.456, [0.166, 0.566, 0.800]),
                start(0.621, [0.112, -0.298, 0.989]),
            ],
            vec![
                start(0.915, [0.209, -0.540, 0.932]),
                start(0.391, [0.237, 0.199, 0.918]),
                start(0.549, [0.693, -0.375, 0.786]),
            ],
            vec![
                start(0.903, [0.405, -0.944, 0.514]),
                start(0.451, [0.168, 0.487, 0.829]),
                start(0.599, [0.114, -0.393, 0.977]),
            ],
            vec![
                start(0.927, [0.148, -0.504, 0.953]),
                start(0.466, [0.183, 0.526, 0.823]),
                start(0.804, [0.472, -0.336, 0.910]),
            ],
            vec![
                start(0.860, [0.231, -0.697, 0.845]),
                start(0.464, [0.148, 0.548, 0.811]),
                start(0.613, [0.162, -0.278, 0.983]),
            ],
            vec![
                start(0.937, [0.220, -0.527, 0.962]),
                start(0.463, [0.091, 0.587, 0.781]),
                start(0.803, [0.257, -0.198, 0.975]),
            ],
            vec![
                start(0.940, [0.204, -0.512, 0.971]),
                start(0.426, [0.207, 0.508, 0.777]),
                start(0.565, [0.577, -0.364, 0.873]),
            ],
        ],
        7 => vec![
            vec![
                start(0.589, [0.327, -0.242, 0.955]),
                start(0.469, [0.231, 0.618, 0.754]),
                start(0.741, [0.276, -0.620, 0.885]),
                start(0.985, [0.000, -1.081, 0.392]),
            ],
            vec![
                start(0.599, [0.197, -0.187, 0.989]),
                start(0.467, [0.144, 0.628, 0.766]),
                start(0.804, [0.242, -0.625, 0.889]),
                start(0.985, [0.000, -1.050, 0.458]),
            ],
        ],
        8 => vec![
            vec![
                start(0.934, [0.130, -0.673, 0.877]),
                start(0.477, [0.110, 0.651, 0.758]),
                start(0.807, [0.169, -0.285, 0.980]),
                start(0.593, [0.277, -0.145, 0.962]),
            ],
            vec![
                start(0.942, [0.167, -0.590, 0.916]),
                start(0.471, [0.088, 0.671, 0.752]),
                start(0.829, [0.203, -0.244, 0.979]),
                start(0.586, [0.395, 0.000, 0.915]),
            ],
            vec![
                start(0.927, [0.148, -0.504, 0.953]),
                start(0.466, [0.183, 0.526, 0.823]),
                start(0.804, [0.472, -0.336, 0.910]),
                start(0.646, [0.903, -0.566, -0.088]),
            ],
            vec![
                start(0.891, [0.325, -1.010, 0.430]),
                start(0.461, [0.183, 0.553, 0.803]),
                start(0.613, [0.192, -0.317, 0.976]),
                start(0.730, [0.341, -0.745, 0.777]),
            ],
            vec![
                start(0.941, [0.178, -0.585, 0.917]),
                start(0.461, [0.161, 0.596, 0.783]),
                start(0.795, [0.257, -0.312, 0.968]),
                start(0.591, [0.539, -0.111, 0.882]),
            ],
        ],
        _ => Vec::new(),
    }
}
