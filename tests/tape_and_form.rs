//! Tapes on heads and heads from tapes, against outside truth.
//!
//! The outside data are not in the repository: `python tests/reference/outside_data.py DIR` writes them
//! from PyPI `mne`, and `OUTSIDE_DATA=DIR` points the tests to them. Without it those tests say that
//! they are left to `tests/run`.

#![allow(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

use std::{collections::BTreeMap, path::PathBuf};

use flatten::{
    Point3, Vector3,
    mesh::TriMesh,
    tape::{self, Plane, TapeLine},
};

fn outside(name: &str) -> Option<String> {
    let Some(folder) = std::env::var_os("OUTSIDE_DATA") else {
        println!("left to tests/run: needs OUTSIDE_DATA with {name}");
        return None;
    };
    let path = PathBuf::from(folder).join(name);
    Some(std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display())))
}

fn numbers(text: &str) -> Vec<f64> {
    text.split([' ', ',']).map(|n| n.parse().unwrap()).collect()
}

fn scalp() -> Option<TriMesh> {
    let text = outside("scalp.obj")?;
    let rows = |kind: &'static str| {
        text.lines()
            .filter_map(move |l| l.strip_prefix(kind))
            .map(numbers)
    };
    let positions = rows("v ").map(|p| Point3::new(p[0], p[1], p[2])).collect();
    let faces = rows("f ")
        .map(|f| [0, 1, 2].map(|k| f[k] as u32 - 1))
        .collect();
    Some(TriMesh::new(positions, faces).unwrap())
}

fn positions(name: &str) -> Option<BTreeMap<String, Point3>> {
    let text = outside(name)?;
    let rows = text.lines().skip(1).map(|line| {
        let (label, rest) = line.split_once(',').unwrap();
        let p = numbers(rest);
        (label.to_string(), Point3::new(p[0], p[1], p[2]))
    });
    Some(rows.collect())
}

/// Where along a tape the point nearest to `p` lies, as a fraction of its length.
fn fraction(line: &TapeLine, p: &Point3) -> f64 {
    let (mut best, mut walked) = ((f64::MAX, 0.0), 0.0);
    for w in line.points.windows(2) {
        let d = w[1] - w[0];
        let t = ((p - w[0]).dot(&d) / d.norm_squared()).clamp(0.0, 1.0);
        let gap = (w[0] + d * t - p).norm();
        if gap < best.0 {
            best = (gap, walked + t * d.norm());
        }
        walked += d.norm();
    }
    best.1 / line.length_mm
}

/// 10–20 rule: Jasper 1958, EEG Clin Neurophysiol 10:371–375; 10–5 extension: Oostenveld & Praamstra
/// 2001, Clin Neurophysiol 112:713–719.
#[test]
fn electrode_positions_lie_at_their_tenths_of_our_tapes() {
    let (Some(mesh), Some(at)) = (scalp(), positions("scalp_positions.csv")) else {
        return;
    };
    let check = |line: &TapeLine, labels: &[&str], first: f64, step: f64, allowed: f64| {
        for (i, label) in labels.iter().enumerate() {
            let rule = first + step * i as f64;
            let ours = 100.0 * fraction(line, &at[*label]);
            println!(
                "{label:4} rule {rule:5.1} %  ours {ours:6.2} %  {:+.1} mm",
                (ours - rule) / 100.0 * line.length_mm
            );
            assert!(
                (ours - rule).abs() < allowed,
                "{label}: {ours} % of {}",
                line.length_mm
            );
        }
    };

    let midline = tape::arc(&mesh, at["NAS"], at["Cz"], at["INI"]).unwrap();
    println!("midline {:.1} mm", midline.length_mm);
    assert!(
        (midline.length_mm - 396.1).abs() < 1.5,
        "{}",
        midline.length_mm
    );
    let labels = ["Fpz", "AFz", "Fz", "FCz", "Cz", "CPz", "Pz", "POz", "Oz"];
    check(&midline, &labels, 10.0, 10.0, 1.0);

    let coronal = tape::arc(&mesh, at["T9"], at["Cz"], at["T10"]).unwrap();
    println!("coronal {:.1} mm", coronal.length_mm);
    assert!(
        (coronal.length_mm - 373.8).abs() < 1.5,
        "{}",
        coronal.length_mm
    );
    let labels = ["T7", "C5", "C3", "C1", "Cz", "C2", "C4", "C6", "T8"];
    check(&coronal, &labels, 10.0, 10.0, 1.0);

    let plane = plane_of(&["Fpz", "T7", "Oz", "T8"].map(|label| at[label]));
    let ring = from_front(tape::girth(&mesh, &plane).unwrap(), &at["Fpz"], &at["Fp1"]);
    println!("ring {:.1} mm", ring.length_mm);
    assert!((ring.length_mm - 601.1).abs() < 1.5, "{}", ring.length_mm);
    let labels = ["Fp1", "F7", "T7", "P7", "O1"];
    check(&ring, &labels, 5.0, 10.0, 0.7);
    check(&ring, &["Oz", "O2"], 50.0, 5.0, 0.7);
    check(&ring, &["P8", "T8", "F8", "Fp2"], 65.0, 10.0, 0.7);
}

/// Least-squares plane.
fn plane_of(points: &[Point3]) -> Plane {
    let centre = points.iter().map(|p| p.coords).sum::<Vector3>() / points.len() as f64;
    let spread: nalgebra::Matrix3<f64> = points
        .iter()
        .map(|p| (p.coords - centre) * (p.coords - centre).transpose())
        .sum();
    let eigen = spread.symmetric_eigen();
    Plane {
        point: Point3::from(centre),
        normal: eigen.eigenvectors.column(eigen.eigenvalues.imin()).into(),
    }
}

/// The closed tape cut open at one point, running towards another.
fn from_front(line: TapeLine, start: &Point3, towards: &Point3) -> TapeLine {
    let mut ring = line.points.clone();
    ring.pop();
    let gap = |p: &Point3, to: &Point3| (p - to).norm();
    let at = (0..ring.len())
        .min_by(|&a, &b| gap(&ring[a], start).total_cmp(&gap(&ring[b], start)))
        .unwrap();
    ring.rotate_left(at);
    // a vertex is up to 9 mm off: start exactly beside the point
    let first = ring[0];
    let next = (ring[1] - first).normalize();
    let exact = first + next * (start - first).dot(&next);
    ring[0] = exact;
    ring.push(exact);
    if gap(&ring[1], towards) > gap(&ring[ring.len() - 2], towards) {
        ring.reverse();
    }
    TapeLine {
        points: ring,
        ..line
    }
}
