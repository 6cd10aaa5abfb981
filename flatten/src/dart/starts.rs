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

/// Known layouts for a number of darts: mirror pairs first, an odd dart last. `examples/layouts.rs` found
/// them with many restarts on the form, and the same search on the average scalp of PyPI `mne` (the last of
/// each).
pub(super) fn known(count: usize) -> Vec<Vec<Start>> {
    let start = |mouth, point| Start { mouth, point };
    match count {
        4 => vec![
            vec![
                start(0.892, [0.243, -0.358, 0.970]),
                start(0.538, [0.256, 0.307, 0.885]),
            ],
            vec![
                start(0.944, [0.294, -0.194, 0.967]),
                start(0.448, [0.308, 0.413, 0.835]),
            ],
            vec![
                start(0.930, [0.293, -0.206, 0.962]),
                start(0.525, [0.177, 0.397, 0.857]),
            ],
        ],
        6 => vec![
            vec![
                start(0.912, [0.259, -0.369, 0.966]),
                start(0.459, [0.345, 0.402, 0.827]),
                start(0.803, [0.648, -0.429, 0.804]),
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
            // That of eight without its last pair, which stays idle on most heads.
            vec![
                start(0.927, [0.148, -0.504, 0.953]),
                start(0.466, [0.183, 0.526, 0.823]),
                start(0.804, [0.472, -0.336, 0.910]),
            ],
        ],
        8 => vec![vec![
            start(0.927, [0.148, -0.504, 0.953]),
            start(0.466, [0.183, 0.526, 0.823]),
            start(0.804, [0.472, -0.336, 0.910]),
            start(0.646, [0.903, -0.566, -0.088]),
        ]],
        _ => Vec::new(),
    }
}
