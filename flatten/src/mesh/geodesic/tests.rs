use std::f64::consts::PI;

use crate::{
    Point3, Vector3,
    mesh::{common_face, index, surface::corner_angle},
};

use super::*;

fn tri((positions, faces): (Vec<[f64; 3]>, Vec<[u32; 3]>)) -> TriMesh {
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap()
}

/// A rolled-up grid: `map` takes plane to space, `nx` by `ny` cells of a `w` by `h` rectangle.
fn rolled(nx: u32, ny: u32, map: impl Fn(f64, f64) -> [f64; 3]) -> TriMesh {
    let mut positions = Vec::new();
    for j in 0..=ny {
        for i in 0..=nx {
            positions.push(map(
                f64::from(i) / f64::from(nx),
                f64::from(j) / f64::from(ny),
            ));
        }
    }
    let at = |i: u32, j: u32| j * (nx + 1) + i;
    let mut faces = Vec::new();
    for j in 0..ny {
        for i in 0..nx {
            faces.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            faces.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
    }
    tri((positions, faces))
}

#[test]
fn in_the_plane_the_shortest_line_is_the_straight_one() {
    let mesh = rolled(20, 30, |s, t| [20.0 * s, 30.0 * t, 0.0]);
    for k in 0..60 {
        let a = f64::from(k);
        let point = |a: f64| Point3::new(10.0 + 9.0 * a.sin(), 15.0 + 14.0 * (1.3 * a).cos(), 0.0);
        let (p, q) = (point(a), point(2.1 * a + 1.0));
        let (from, to) = (mesh.project(p).0, mesh.project(q).0);
        let path = shortest(&mesh, from, to).unwrap();
        assert!((path.length - (q - p).norm()).abs() < 1e-10, "{k}");
        let traced = straightest(&mesh, from, q - p, (q - p).norm()).unwrap();
        let end = traced.points[traced.points.len() - 1].position(&mesh);
        assert!((end - q).norm() < 1e-9, "{k}");
        for w in path.points.windows(2) {
            assert!(common_face(&mesh, w[0], w[1]).is_some());
        }
    }
}

#[test]
fn between_vertices_of_a_grid_the_line_runs_through_the_vertices_on_it() {
    let mesh = rolled(6, 6, |s, t| [6.0 * s, 6.0 * t, 0.0]);
    let path = shortest(&mesh, SurfacePoint::Vertex(0), SurfacePoint::Vertex(48)).unwrap();
    assert!((path.length - 72.0_f64.sqrt()).abs() < 1e-12);
    let across = shortest(&mesh, SurfacePoint::Vertex(6), SurfacePoint::Vertex(42)).unwrap();
    assert!((across.length - 72.0_f64.sqrt()).abs() < 1e-12);
}

#[test]
fn on_a_cylinder_along_its_rulings_it_is_the_unrolled_helix() {
    // Prism over a 40-gon: it unrolls exactly to chords of the circle.
    let n = 40;
    let chord = 2.0 * 50.0 * (PI / f64::from(n)).sin();
    let mesh = rolled(20, 12, |s, t| {
        let angle = PI * s;
        [50.0 * angle.cos(), 50.0 * angle.sin(), 60.0 * t]
    });
    let (from, to) = (SurfacePoint::Vertex(1), SurfacePoint::Vertex(12 * 21 + 17));
    let path = shortest(&mesh, from, to).unwrap();
    let unrolled = (16.0 * chord).hypot(60.0);
    assert!((path.length - unrolled).abs() < 1e-10);
}

#[test]
fn on_a_cone_it_is_the_chord_of_the_unrolled_sector() {
    // A pyramid over 24 of 36 sectors; each unrolls to a triangle with two sides `slant`.
    let (slant, half): (f64, f64) = (80.0, 0.5);
    let mut positions = vec![[0.0, 0.0, slant * half.cos()]];
    let mut faces = Vec::new();
    for i in 0..=24_u32 {
        let angle = f64::from(i) * PI / 18.0;
        let r = slant * half.sin();
        positions.push([r * angle.cos(), r * angle.sin(), 0.0]);
        if i > 0 {
            faces.push([0, i, i + 1]);
        }
    }
    let mesh = tri((positions, faces));
    let corner = corner_angle(&mesh, 0);
    let path = shortest(&mesh, SurfacePoint::Vertex(2), SurfacePoint::Vertex(12)).unwrap();
    let sector = 10.0 * corner;
    assert!(sector < PI);
    // The chord may leave the sector's straight rim: it runs inside, nearer to the tip.
    assert!((path.length - 2.0 * slant * (sector / 2.0).sin()).abs() < 1e-10);
}

#[test]
fn round_a_wall_the_line_bends_at_the_corner() {
    // A square ring: the straight line would cross the hole.
    let full = rolled(3, 3, |s, t| [3.0 * s, 3.0 * t, 0.0]);
    let (positions, mut faces) = full.into_parts();
    faces.retain(|f| !(f.iter().all(|v| [5, 6, 9, 10].contains(v))));
    let mesh = TriMesh::new(positions, faces).unwrap();
    let path = shortest(&mesh, SurfacePoint::Vertex(4), SurfacePoint::Vertex(7)).unwrap();
    assert!((path.length - 3.0).abs() < 1e-12);
    let path = shortest(&mesh, SurfacePoint::Vertex(0), SurfacePoint::Vertex(15)).unwrap();
    assert!(
        (path.length - 2.0 * 5.0_f64.sqrt()).abs() < 1e-12,
        "{}",
        path.length
    );
}

#[test]
fn on_a_sphere_lines_converge_to_great_circles() {
    let mut errors = Vec::new();
    for level in [2, 3, 4, 5] {
        let mesh = tri(fixtures::icosphere(100.0, level));
        let mut worst: f64 = 0.0;
        for k in 0..20 {
            let a = f64::from(k);
            let u = Vector3::new(a.sin(), (1.7 * a).cos(), (0.6 * a + 1.0).sin()).normalize();
            let v = Vector3::new((0.9 * a).cos(), (2.3 * a).sin(), a.cos()).normalize();
            let arc = 100.0 * u.cross(&v).norm().atan2(u.dot(&v));
            let (from, p, _) = mesh.project(Point3::from(u * 100.0));
            let (to, ..) = mesh.project(Point3::from(v * 100.0));
            let path = shortest(&mesh, from, to).unwrap();
            worst = worst.max((path.length / arc - 1.0).abs());
            let ahead = v - u * u.dot(&v);
            let traced = straightest(&mesh, from, ahead, 60.0).unwrap();
            assert!((traced.length - 60.0).abs() < 1e-9);
            let end = traced.points[traced.points.len() - 1].position(&mesh);
            let angle = 2.0 * ((end - p).norm() / 200.0).asin();
            assert!((angle * 100.0 - 60.0).abs() < 60.0 / 4_f64.powf(f64::from(level)) * 4.0);
        }
        errors.push(worst);
    }
    assert!(errors.windows(2).all(|w| w[1] < 0.4 * w[0]), "{errors:?}");
    assert!(errors[3] < 6e-4, "{errors:?}");
}

#[test]
fn no_bend_of_a_shortest_line_can_be_shortened() {
    // The law of a locally shortest line: at least π on both sides wherever it meets a vertex.
    let mesh = tri(fixtures::head(4));
    for k in 0..40_u32 {
        let (a, b) = (
            (k * 61) % index(mesh.vertex_count()),
            (k * 397 + 500) % index(mesh.vertex_count()),
        );
        if a == b {
            continue;
        }
        let path = shortest(&mesh, SurfacePoint::Vertex(a), SurfacePoint::Vertex(b)).unwrap();
        let back = shortest(&mesh, SurfacePoint::Vertex(b), SurfacePoint::Vertex(a)).unwrap();
        assert!(path.length <= 1.02 * back.length);
        for w in path.points.windows(3) {
            let SurfacePoint::Vertex(v) = w[1] else {
                continue;
            };
            let total: f64 = mesh.fan(v).map(|h| corner_angle(&mesh, h)).sum();
            assert!(total >= 2.0 * PI - 1e-6, "passes the peak {v}");
        }
    }
}

#[test]
fn a_line_that_meets_the_edge_says_where() {
    let mesh = rolled(4, 4, |s, t| [40.0 * s, 40.0 * t, 0.0]);
    let from = SurfacePoint::Edge {
        half_edge: 0,
        t: 0.5,
    };
    let err = straightest(&mesh, from, Vector3::y(), 50.0);
    assert!(
        matches!(err, Err(GeodesicError::LeavesSurface { run_mm, .. }) if (run_mm - 40.0).abs() < 1e-9)
    );
    let err = straightest(&mesh, from, -Vector3::y(), 50.0);
    assert!(matches!(err, Err(GeodesicError::NoWayIn { .. })));
}
