//! Any small pile of triangles: mended into a surface that obeys every law, or refused.

use flatten::{
    Point3,
    mesh::{MendOptions, mend},
    scan::{Paint, RawScan, ScanUnits, Unit},
};

/// Tries one pile.
///
/// # Panics
/// Where a law does not hold.
pub fn mend_pile(bytes: &[u8]) {
    // Vertices on a coarse grid of a head's size, so that they meet, line up and fold often; now and then
    // one is moved a little, so that they nearly do.
    let Some((&count, rest)) = bytes.split_first() else {
        return;
    };
    let count = usize::from(count % 40) + 4;
    if rest.len() < 3 * count {
        return;
    }
    let (places, corners) = rest.split_at(3 * count);
    let positions: Vec<Point3> = places
        .chunks_exact(3)
        .map(|c| {
            let at = |b: u8| {
                40.0 * f64::from(b % 5)
                    + [0.0, 0.0, 0.0, 0.0, 0.01, 0.04, 1e-4][usize::from(b / 37)]
            };
            Point3::new(at(c[0]), at(c[1]), at(c[2]))
        })
        .collect();
    let faces: Vec<[u32; 3]> = corners
        .chunks_exact(3)
        .map(|c| [c[0], c[1], c[2]].map(|v| u32::from(v) % count as u32))
        .collect();
    let colours = (0..count).map(|v| [v as u8; 3]).collect();
    let scan = RawScan {
        positions,
        faces,
        paint: Some(Paint::Vertex(colours)),
        ..RawScan::default()
    };
    let options = MendOptions {
        units: ScanUnits::Given(Unit::Millimetre),
        ..MendOptions::default()
    };
    for options in [options, MendOptions::default()] {
        let Ok((clean, report)) = mend(scan.clone(), &options) else {
            continue;
        };
        assert!(
            clean
                .mesh
                .positions()
                .iter()
                .all(|p| p.coords.iter().all(|c| c.is_finite()))
        );
        assert!(clean.mesh.face_count() > 0);
        let Some(Paint::Vertex(colours)) = &clean.paint else {
            panic!("paint is lost")
        };
        assert_eq!(colours.len(), clean.mesh.vertex_count());
        assert!(report.acts.is_sorted_by_key(|act| act.what));
        assert!(report.acts.iter().all(|act| act.count > 0));
    }
}
