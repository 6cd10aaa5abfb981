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

/// Long darts from temple, ear and nape that lean under the top.
fn slantwise(count: usize) -> Vec<Vec<Gene>> {
    let gene = |mouth, lean, depth| Gene { mouth, lean, depth };
    let pairs = match count / 2 {
        0 => vec![],
        1 => vec![gene(0.62, 0.4, 0.35)],
        2 => vec![gene(0.45, 0.3, 0.3), gene(0.8, 0.3, 0.35)],
        3 => vec![
            gene(0.42, 0.3, 0.3),
            gene(0.62, 0.3, 0.3),
            gene(0.86, 0.3, 0.3),
        ],
        _ => return vec![],
    };
    let mut genes = pairs;
    if count % 2 == 1 {
        genes.push(gene(1.0, 0.0, 0.25));
    }
    vec![genes]
}
