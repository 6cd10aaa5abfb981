//! Layouts that a long search found good on the average head, to start from on others.

use super::genes::Gene;

/// Starts for a number of darts: mirror pairs first, an odd dart last.
pub(super) fn starts(count: usize) -> Vec<Vec<Gene>> {
    let mut all = vec![radial(count)];
    all.extend(slantwise(count));
    all
}

/// Evenly spread behind the front hairline and square to the edge.
fn radial(count: usize) -> Vec<Gene> {
    let pairs = count / 2;
    let mut genes: Vec<Gene> = (0..pairs)
        .map(|k| {
            let mouth = 0.42 + 0.5 * (k as f64 + 0.5) / pairs as f64;
            Gene {
                mouth,
                lean: 0.0,
                depth: 0.27,
            }
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

/// Long darts from nape, ear and temple that lean to the front under the top: what the search grew from
/// nothing on the average head (`examples/layouts.rs` with many restarts), mouths at the nape then moved
/// apart as the rules ask. There four and six of them leave 5.0 and 4.9 % strain, even ones 7.1 and 5.6 %.
fn slantwise(count: usize) -> Vec<Vec<Gene>> {
    let gene = |mouth, lean, depth| Gene { mouth, lean, depth };
    let two = vec![gene(0.938, 0.452, 0.822)];
    let four = vec![gene(0.938, 0.324, 0.746), gene(0.467, -0.576, 0.482)];
    let six = vec![
        gene(0.938, 0.323, 0.775),
        gene(0.578, 0.978, 0.303),
        gene(0.422, -0.210, 0.467),
    ];
    match count {
        2 => vec![two],
        4 => vec![four],
        6 => vec![six],
        8 => [0.70, 0.78]
            .iter()
            .map(|&mouth| six.iter().copied().chain([gene(mouth, 0.0, 0.2)]).collect())
            .collect(),
        _ => Vec::new(),
    }
}
