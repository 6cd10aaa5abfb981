use crate::{
    Point3,
    mesh::{TriMesh, index},
};
pub(super) fn project_once(mesh: &TriMesh, p: Point3) -> ((), Point3, f64) {
    let mut best = (f64::INFINITY, p);
    for f in 0..index(mesh.face_count()) {
        let [a, b, c] = mesh.corners(f);
        if (a - p).norm() - (b - a).norm().max((c - a).norm()) > best.0 {
            continue;
        }
        let n = (b - a).cross(&(c - a));
        let q = p - n * ((p - a).dot(&n) / n.norm_squared());
        let inside = [(a, b), (b, c), (c, a)]
            .iter()
            .all(|(s, t)| (t - s).cross(&(q - s)).dot(&n) >= 0.0);
        let mut cands = vec![];
        if inside {
            cands.push(q);
        } else {
            for (s, t) in [(a, b), (b, c), (c, a)] {
                let d = t - s;
                cands.push(s + d * ((p - s).dot(&d) / d.norm_squared()).clamp(0.0, 1.0));
            }
        }
        for q in cands {
            let g = (q - p).norm();
            if g < best.0 {
                best = (g, q);
            }
        }
    }
    ((), best.1, best.0)
}
