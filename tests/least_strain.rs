//! Maps of least strain against surfaces whose answer is known, and laws that hold for all of them.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::f64::consts::{FRAC_PI_2, FRAC_PI_3, FRAC_PI_4};

use fixtures::{Mesh, cap, cone, cylinder, mirrored, noisy, pierced, plane};
use flatten::{
    Point2, Point3,
    flat::{
        Cloth, Descent, Energy, FlatMap, Grain, KeptEdges, LeastStrainOptions, LengthSummary,
        Limits, StrainField,
        conformal::{ConformalOptions, flatten_patch},
        least_strain, overlap,
    },
    mesh::TriMesh,
};

/// Radius of a head.
const R: f64 = 90.0;

fn tri_mesh((positions, faces): Mesh) -> TriMesh {
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap()
}

fn conformal(mesh: &TriMesh) -> FlatMap {
    flatten_patch(mesh, &ConformalOptions::default()).unwrap()
}

fn exact(energy: Energy) -> LeastStrainOptions {
    LeastStrainOptions {
        energy,
        tolerance: 1e-8,
        ..LeastStrainOptions::default()
    }
}

fn laid(mesh: &TriMesh, options: &LeastStrainOptions) -> FlatMap {
    let map = least_strain(mesh, conformal(mesh), options).unwrap();
    assert!(map.report.converged, "{:?}", map.report);
    assert_eq!((map.report.flipped, map.report.overlaps), (0, 0));
    assert!(overlap::folds(mesh, &map.uv).is_empty());
    map
}

/// Mean distance of the edge from the centre vertex of a cap, in units of the sphere's radius.
fn edge_radius(mesh: &TriMesh, uv: &[Point2]) -> f64 {
    let ring = &mesh.boundary_loops()[0];
    let sum: f64 = ring.iter().map(|&v| (uv[v as usize] - uv[0]).norm()).sum();
    sum / ring.len() as f64 / R
}

/// Airy 1861, Phil. Mag. 22:409–421, corrected by Clarke 1862: the map of a cap with the least mean
/// square of both strains has edge radius 2 ln(1 + u²)/u, u = tan(α/2).
fn airy_radius(angle: f64) -> f64 {
    let u = (0.5 * angle).tan();
    2.0 * (1.0 + u * u).ln() / u
}

#[test]
fn equal_resistance_on_a_cap_is_airys_map() {
    for angle in [FRAC_PI_4, FRAC_PI_3, 75_f64.to_radians(), FRAC_PI_2] {
        let mesh = tri_mesh(cap(R, angle, 5000));
        let map = laid(&mesh, &exact(Energy::Equal));
        let error = edge_radius(&mesh, &map.uv) / airy_radius(angle) - 1.0;
        assert!(error.abs() < 1e-3, "{error}");
    }
}

/// A large surface goes by way of a coarse copy; where an edge inside is kept there is none, and the Laplacian is the
/// first metric.
#[test]
fn a_large_cap_is_airys_map_with_and_without_a_copy() {
    let mesh = tri_mesh(cap(R, FRAC_PI_3, 9000));
    assert!(mesh.vertex_count() > 6000);
    let by_copy = laid(&mesh, &exact(Energy::Equal));
    let [a, b, _] = mesh.faces()[0];
    let options = LeastStrainOptions {
        kept: vec![KeptEdges {
            edges: vec![(a, b)],
            weight: 0.0,
            within: None,
        }],
        ..exact(Energy::Equal)
    };
    let alone = laid(&mesh, &options);
    for map in [&by_copy, &alone] {
        let error = edge_radius(&mesh, &map.uv) / airy_radius(FRAC_PI_3) - 1.0;
        assert!(error.abs() < 1e-3, "{error}");
    }
    let difference = by_copy.report.energy / alone.report.energy - 1.0;
    assert!(difference.abs() < 1e-6, "{difference}");
}

#[test]
fn symmetric_dirichlet_on_a_cap_is_the_radial_optimum() {
    // Radius and energy by a boundary-value solve of the radial problem, to 1e-6; the energy is the
    // one of Smith & Schaefer 2015 (10.1145/2766947), 4 for no strain.
    let rows = [
        (FRAC_PI_4, 0.765_732, 4.008_113),
        (FRAC_PI_3, 1.001_454, 4.026_131),
        (FRAC_PI_2, 1.423_330, 4.140_509),
    ];
    for (angle, radius, energy) in rows {
        let at = |vertices| {
            let mesh = tri_mesh(cap(R, angle, vertices));
            let map = laid(&mesh, &exact(Energy::SymmetricDirichlet));
            (edge_radius(&mesh, &map.uv), map.report.energy)
        };
        let (coarse, fine) = (at(1261), at(4921));
        assert!((fine.0 / radius - 1.0).abs() < 1e-3);
        // Twice the rings have a quarter of the error: what is left when it is taken out.
        let limit = (4.0 * fine.1 - coarse.1) / 3.0;
        assert!((fine.1 - energy).abs() < 3e-4 && (limit - energy).abs() < 5e-6);
    }
}

#[test]
fn developable_surfaces_lose_nothing() {
    let shapes = [
        ("plane", plane(120.0, 80.0, 24, 16)),
        ("cylinder", cylinder(75.0, 2.8, 90.0, 40, 16)),
        ("cone", cone(0.7, 4.0, [20.0, 110.0], 50, 18)),
    ];
    for (name, shape) in shapes {
        let mesh = tri_mesh(shape);
        let options = LeastStrainOptions {
            tolerance: 1e-12,
            ..exact(Energy::Cloth(Cloth::new(1.0, 2.0)))
        };
        let map = laid(&mesh, &options);
        let summary = StrainField::new(&mesh, &map.uv).summary(0.0);
        assert!(summary.max < 1e-9, "{name}: {}", summary.max);
        let ring = closed(&mesh.boundary_loops()[0]);
        let along = LengthSummary::new(&mesh, &map.uv, &ring);
        assert!(along.error.abs() < 1e-9 && along.worst_local.abs() < 1e-9);
    }
}

fn closed(ring: &[u32]) -> Vec<(u32, u32)> {
    (0..ring.len())
        .map(|k| (ring[k], ring[(k + 1) % ring.len()]))
        .collect()
}

#[test]
fn no_map_beats_milnors_bound() {
    // Milnor 1969, Amer. Math. Monthly 76(10):1101–1112: the ratio of greatest to least length scale
    // of any map of a cap is at least α / sin α.
    for angle in [FRAC_PI_4, FRAC_PI_3, FRAC_PI_2] {
        let mesh = tri_mesh(cap(R, angle, 5000));
        let stiff = Cloth {
            stiffening: Some(0.1),
            ..Cloth::new(1.0, 1.0)
        };
        for energy in [
            Energy::Equal,
            Energy::SymmetricDirichlet,
            Energy::Cloth(stiff),
        ] {
            let map = laid(&mesh, &exact(energy));
            let summary = StrainField::new(&mesh, &map.uv).summary(0.0);
            let ratio = (1.0 + summary.stretch_max) / (1.0 - summary.crowding_max);
            assert!(ratio > 0.995 * angle / angle.sin(), "{ratio}");
        }
    }
}

#[test]
fn a_cloth_that_hates_crowding_ends_up_smaller() {
    let mesh = tri_mesh(cap(R, FRAC_PI_3, 2000));
    let summary = |crowding| {
        let map = laid(&mesh, &exact(Energy::Cloth(Cloth::new(1.0, crowding))));
        StrainField::new(&mesh, &map.uv).summary(0.0)
    };
    let (even, averse) = (summary(1.0), summary(20.0));
    assert!(averse.area_ratio < even.area_ratio);
    assert!(averse.crowding_max < 0.6 * even.crowding_max);
    assert!(averse.stretch_max > even.stretch_max);
}

#[test]
fn grain_keeps_its_own_direction_truer() {
    let mesh = tri_mesh(cap(R, FRAC_PI_3, 2000));
    let extent = |map: &FlatMap, k: usize| {
        let at = |f: fn(f64, f64) -> f64, start| map.uv.iter().map(|p| p.coords[k]).fold(start, f);
        at(f64::max, f64::NEG_INFINITY) - at(f64::min, f64::INFINITY)
    };
    let grained = |along: [f64; 2]| {
        let cloth = Cloth {
            grain: Some(Grain {
                along: along.into(),
                extra: 9.0,
            }),
            ..Cloth::new(1.0, 1.0)
        };
        laid(&mesh, &exact(Energy::Cloth(cloth)))
    };
    let (upright, across) = (grained([0.0, 1.0]), grained([1.0, 0.0]));
    // The stiff direction decides: the two maps are one another turned by a quarter (up to the mesh,
    // which has no such symmetry), and neither is round.
    assert!((extent(&upright, 1) / extent(&across, 0) - 1.0).abs() < 1e-3);
    assert!((extent(&upright, 0) / extent(&upright, 1) - 1.0).abs() > 1e-2);
}

#[test]
fn a_weight_on_the_perimeter_keeps_its_length() {
    let mesh = tri_mesh(cap(R, FRAC_PI_3, 5000));
    let ring = closed(&mesh.boundary_loops()[0]);
    let measure = |weight: f64| {
        let options = LeastStrainOptions {
            kept: vec![KeptEdges {
                edges: ring.clone(),
                weight,
                within: None,
            }],
            ..exact(Energy::Equal)
        };
        let map = laid(&mesh, &options);
        let along = LengthSummary::new(&mesh, &map.uv, &ring);
        let strain = StrainField::new(&mesh, &map.uv).summary(0.0);
        (along, strain)
    };
    let free = measure(0.0);
    let kept = measure(60.0);
    assert!(free.0.error > 0.1);
    assert!(kept.0.error.abs() < 0.005 && kept.0.worst_local.abs() < 0.005);
    assert!(kept.1.p95 < 0.25 && kept.1.max < 0.3, "{:?}", kept.1);
}

/// Cuts a mesh along a path of vertices that starts on its boundary; the last one is the point.
fn slit(mesh: &TriMesh, path: &[u32]) -> TriMesh {
    let (mut positions, mut faces) = mesh.clone().into_parts();
    for (k, &vertex) in path[..path.len() - 1].iter().enumerate() {
        let copy = u32::try_from(positions.len()).unwrap();
        positions.push(mesh.position(vertex));
        let mut h = mesh
            .fan(vertex)
            .find(|&h| mesh.head(h) == path[k + 1])
            .unwrap();
        loop {
            for corner in &mut faces[(h / 3) as usize] {
                if *corner == vertex {
                    *corner = copy;
                }
            }
            h = mesh.twin(flatten::mesh::prev(h));
            if h == flatten::mesh::NONE || (k > 0 && mesh.head(h) == path[k - 1]) {
                break;
            }
        }
    }
    TriMesh::new(positions, faces).unwrap()
}

/// A hexagonally meshed disk cut along `count` of its six spokes from the edge to `inner` of the way.
fn slitted(shape: Mesh, count: u32, inner: f64) -> TriMesh {
    let mut mesh = tri_mesh(shape);
    let rings = (((mesh.vertex_count() as f64 - 1.0) / 3.0 + 0.25).sqrt() - 0.5).round() as u32;
    let point = (inner * f64::from(rings)).round() as u32;
    let spoke = |sector: u32, ring: u32| 1 + 3 * ring * (ring - 1) + sector * ring;
    for k in 0..count {
        let path: Vec<u32> = (point..=rings)
            .rev()
            .map(|ring| spoke(k * 6 / count, ring))
            .collect();
        mesh = slit(&mesh, &path);
    }
    mesh
}

#[test]
fn radial_cuts_open_without_flips_or_overlaps() {
    for (angle, count, inner) in [
        (FRAC_PI_3, 6, 0.3),
        (FRAC_PI_2, 6, 0.2),
        (FRAC_PI_2, 3, 0.1),
        (FRAC_PI_2, 1, 0.05),
        (1.75, 6, 0.3),
    ] {
        let mesh = slitted(cap(R, angle, 4000), count, inner);
        for energy in [Energy::Equal, Energy::Cloth(Cloth::new(1.0, 2.0))] {
            let map = laid(&mesh, &exact(energy));
            let cut = StrainField::new(&mesh, &map.uv).summary(0.03);
            let whole = tri_mesh(cap(R, angle, 4000));
            let uncut = StrainField::new(&whole, &laid(&whole, &exact(energy)).uv).summary(0.03);
            assert!(cut.mean < 0.8 * uncut.mean);
        }
    }
}

/// A saddle over a disk: z = bend (x² − y²) / 2.
fn saddle(radius: f64, bend: f64, about_vertices: usize) -> Mesh {
    let (mut positions, faces) = cap(1.0, FRAC_PI_2, about_vertices);
    for p in &mut positions {
        let length = p[0].hypot(p[1]);
        let scale = if length > 0.0 {
            p[2].acos() / FRAC_PI_2 / length * radius
        } else {
            0.0
        };
        let [x, y] = [p[0] * scale, p[1] * scale];
        *p = [x, y, 0.5 * bend * (x * x - y * y)];
    }
    (positions, faces)
}

#[test]
fn cuts_in_a_saddle_do_not_close_over_themselves() {
    let mesh = slitted(saddle(60.0, 0.02, 1500), 3, 0.2);
    let options = LeastStrainOptions {
        most_steps: 200,
        ..LeastStrainOptions::default()
    };
    let map = least_strain(&mesh, conformal(&mesh), &options).unwrap();
    assert_eq!((map.report.flipped, map.report.overlaps), (0, 0));
    assert!(overlap::folds(&mesh, &map.uv).is_empty());
}

#[test]
fn an_opening_stays_open() {
    let mesh = tri_mesh(pierced(cap(R, FRAC_PI_3, 4000), [0.0, 20.0, 87.0], 15.0));
    assert_eq!(mesh.boundary_loops().len(), 2);
    let map = laid(&mesh, &exact(Energy::Cloth(Cloth::new(1.0, 2.0))));
    let loops = mesh.boundary_loops();
    let hole = loops.iter().min_by_key(|ring| ring.len()).unwrap();
    let along = LengthSummary::new(&mesh, &map.uv, &closed(hole));
    assert!(along.head_mm > 80.0 && along.error.abs() < 0.1, "{along:?}");
}

#[test]
fn any_start_comes_to_the_same_map() {
    let mesh = tri_mesh(cap(R, FRAC_PI_2, 2000));
    for energy in [
        Energy::Equal,
        Energy::SymmetricDirichlet,
        Energy::Cloth(Cloth::new(1.0, 3.0)),
    ] {
        let first = laid(&mesh, &exact(energy));
        // Upside down: every triangle flipped, so the start is replaced by the map on a circle.
        let mut turned_over = conformal(&mesh);
        for p in &mut turned_over.uv {
            p.x = -p.x;
        }
        let second = least_strain(&mesh, turned_over, &exact(energy)).unwrap();
        assert!(second.report.converged);
        assert!((first.report.energy - second.report.energy).abs() < 1e-9);
    }
}

#[test]
fn energy_never_rises() {
    let mesh = tri_mesh(noisy(cap(R, FRAC_PI_2, 2000), 0.4, 7));
    for energy in [
        Energy::Equal,
        Energy::SymmetricDirichlet,
        Energy::Cloth(Cloth::new(1.0, 3.0)),
    ] {
        let descent = Descent::new(&mesh, &exact(energy)).unwrap();
        let mut last = f64::INFINITY;
        for steps in 0..15 {
            let limits = Limits {
                steps,
                tolerance: 1e-9,
            };
            let now = descent.run(&conformal(&mesh).uv, &limits).report.energy;
            assert!(now <= last);
            last = now;
        }
    }
}

#[test]
fn a_mirrored_surface_gives_the_mirrored_map() {
    let shape = noisy(cap(R, FRAC_PI_3, 1500), 0.3, 3);
    let (left, right) = (tri_mesh(shape.clone()), tri_mesh(mirrored(shape)));
    let options = exact(Energy::Cloth(Cloth::new(1.0, 2.0)));
    let (a, b) = (laid(&left, &options), laid(&right, &options));
    let distance = |uv: &[Point2], i: usize, j: usize| (uv[i] - uv[j]).norm();
    for i in (0..a.uv.len()).step_by(7) {
        for j in (0..a.uv.len()).step_by(31) {
            assert!((distance(&a.uv, i, j) - distance(&b.uv, i, j)).abs() < 1e-4);
        }
    }
    let turn = |uv: &[Point2]| (uv[1] - uv[0]).perp(&(uv[2] - uv[0]));
    assert!((turn(&a.uv) + turn(&b.uv)).abs() < 1e-4);
}

#[test]
fn threads_do_not_change_a_bit() {
    let mesh = tri_mesh(noisy(cap(R, FRAC_PI_3, 12_000), 0.1, 3));
    let start = conformal(&mesh);
    let options = LeastStrainOptions {
        energy: Energy::Cloth(Cloth::new(1.0, 2.0)),
        ..LeastStrainOptions::default()
    };
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| least_strain(&mesh, start.clone(), &options).unwrap())
    };
    let one = with(1);
    assert!(one.report.converged);
    for threads in [2, 8] {
        let many = with(threads);
        assert_eq!(one.report, many.report);
        assert!(
            one.uv
                .iter()
                .zip(&many.uv)
                .all(|(a, b)| { a.x.to_bits() == b.x.to_bits() && a.y.to_bits() == b.y.to_bits() })
        );
    }
}
