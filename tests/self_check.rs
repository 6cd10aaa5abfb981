//! The check that every draft goes through finds what it is there to find: faults are put into a good
//! pattern, whatever the reports say, and each has to come back by name.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use flatten::{
    Point2,
    draft::{Fault, Pattern, draft},
    flat::{LeastStrainOptions, StrainField, conformal, least_strain},
    form::average_head,
    job::{Job, LayoutChoice, Material},
    mesh::CleanMesh,
    piece::{Allowance, Grain},
};

fn job() -> Job {
    let form = average_head();
    Job {
        client: "0042".into(),
        mold: CleanMesh {
            mesh: form.mesh(2000),
            paint: None,
        },
        head: form.head(),
        outline: form.outline(),
        keep_clear: Vec::new(),
        offset_mm: 0.0,
        // Gives so much that the layout meets its limit.
        material: Material {
            name: "invented".into(),
            limit: 0.3,
            tension: 1.0,
            crowding: 2.0,
        },
        allowance: Allowance {
            front_mm: 10.0,
            sides_mm: 10.0,
            nape_mm: 10.0,
            opening_mm: 6.0,
            seam_mm: 6.0,
            dart_mm: 6.0,
        },
        grain: Grain::FrontBack,
        layout: LayoutChoice::Even(4),
        date: None,
    }
}

fn good() -> Pattern {
    let pattern = draft(&job(), &|_| {}).unwrap();
    let grave = pattern.faults.iter().any(Fault::unusable);
    assert!(
        !grave && !pattern.layout.darts.is_empty(),
        "{:?}",
        pattern.faults
    );
    pattern
}

fn is_drawn(fault: &Fault) -> bool {
    matches!(fault, Fault::Drawn { .. })
}

#[test]
fn a_triangle_turned_over_is_found_whatever_the_report_says() {
    let mut pattern = good();
    let [a, b, c] = pattern.cut.panels[0].mesh.faces()[7];
    // A corner goes over to the other side of its opposite edge.
    let [p, q, r] = [a, b, c].map(|v| pattern.maps[0].uv[v as usize]);
    pattern.maps[0].uv[a as usize] = q + (r - q) - (p - q) + (q - p) * 0.5;
    assert_eq!(pattern.maps[0].report.flipped, 0);
    let found = pattern.check();
    assert!(
        matches!(found[0], Fault::Flipped { count, .. } if count > 0),
        "{found:?}"
    );
    assert!(found[0].unusable());
}

#[test]
fn a_place_that_is_no_number_is_found() {
    let mut pattern = good();
    pattern.maps[0].uv[3] = Point2::new(f64::NAN, 0.0);
    let found = pattern.check();
    assert!(matches!(found[0], Fault::Flipped { .. }), "{found:?}");
}

#[test]
fn an_edge_that_crosses_itself_is_found() {
    let mut pattern = good();
    let ring = pattern.cut.panels[0].loops[0].vertices.clone();
    // Two far corners of the outline change places.
    let far = ring.len() / 2;
    pattern.maps[0]
        .uv
        .swap(ring[0] as usize, ring[far] as usize);
    let found = pattern.check();
    let overlap = found.iter().any(|f| matches!(f, Fault::Overlap { .. }));
    assert!(overlap, "{found:?}");
}

#[test]
fn a_piece_at_the_wrong_scale_is_found() {
    let mut pattern = good();
    assert!(!pattern.check().iter().any(is_drawn));
    // A print at 97 %, the classic.
    pattern.pieces[0].measured.sew_area_mm2 *= 0.97 * 0.97;
    let found = pattern.check();
    assert!(
        found.iter().any(|f| is_drawn(f) && f.unusable()),
        "{found:?}"
    );
    pattern.pieces[0].measured.sew_area_mm2 = f64::NAN;
    assert!(pattern.check().iter().any(is_drawn));
}

#[test]
fn lines_of_two_lengths_that_are_sewn_together_are_found() {
    let mut pattern = good();
    pattern.pieces[0].measured.leg_mismatch_mm = 0.4;
    let found = pattern.check();
    let told = found
        .iter()
        .any(|f| matches!(f, Fault::SeamMismatch { .. }));
    assert!(told, "{found:?}");
}

#[test]
fn a_descent_that_is_stopped_early_says_so() {
    let mut pattern = good();
    let job = job();
    let panel = &pattern.cut.panels[0];
    let start =
        conformal::flatten_patch(&panel.mesh, &conformal::ConformalOptions::default()).unwrap();
    let options = LeastStrainOptions {
        most_steps: 1,
        ..LeastStrainOptions::for_panel(panel, &job.material)
    };
    let map = least_strain(&panel.mesh, start, &options).unwrap();
    assert!(!map.report.converged, "{:?}", map.report);
    pattern.fields[0] = StrainField::new(&panel.mesh, &map.uv);
    pattern.maps[0] = map;
    let found = pattern.check();
    let told = found
        .iter()
        .any(|f| matches!(f, Fault::NotConverged { .. }));
    assert!(told, "{found:?}");
}

#[test]
fn strain_and_edges_over_their_limits_are_found_and_so_is_no_number() {
    let mut pattern = good();
    for p95 in [0.31, f64::NAN, f64::INFINITY] {
        pattern.strain.p95 = p95;
        let found = pattern.check();
        let told = found.iter().any(|f| matches!(f, Fault::Strain { .. }));
        assert!(told && !pattern.limit_met(), "{found:?}");
    }
    for error in [0.006, -0.006, f64::NAN] {
        pattern.edges.error = error;
        let found = pattern.check();
        let told = found.iter().any(|f| matches!(f, Fault::Perimeter { .. }));
        assert!(told, "{found:?}");
    }
}

/// The good job on a head pressed flat along one axis, all that is drawn on it with it.
fn pressed(axis: usize, by: f64) -> Job {
    let mut job = job();
    let press = |mut p: flatten::Point3| {
        p[axis] *= by;
        p
    };
    let places = job.mold.mesh.positions().iter().map(|p| press(*p));
    let places = places.collect();
    job.mold.mesh = job.mold.mesh.with_positions(places).unwrap();
    job.outline
        .perimeter
        .iter_mut()
        .for_each(|p| *p = press(*p));
    let head = &mut job.head;
    for p in [
        &mut head.front,
        &mut head.nape,
        &mut head.left_ear,
        &mut head.right_ear,
        &mut head.crown,
    ] {
        *p = press(*p);
    }
    job
}

#[test]
fn a_mold_pressed_ever_flatter_is_refused_or_said_to_be_unfit() {
    let (mut refused, mut unfit) = (0, 0);
    for axis in 0..3 {
        for by in [1e-1, 1e-9] {
            match draft(&pressed(axis, by), &|_| {}) {
                Err(why) => {
                    refused += 1;
                    assert!(!why.to_string().is_empty());
                }
                Ok(pattern) => {
                    // The strain that is told has to be finite, or a fault has to be told.
                    let sound = pattern.strain.max.is_finite() && pattern.limit_met();
                    unfit += usize::from(!sound);
                    assert!(sound || !pattern.faults.is_empty(), "{:?}", pattern.strain);
                }
            }
        }
    }
    assert!(refused > 0 && unfit > 0, "{refused} refused, {unfit} unfit");
}
