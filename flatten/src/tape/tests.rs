use super::*;
use crate::{
    Vector3,
    form::{self, ellipsoid_mesh},
};

/// Perimeter of an ellipse by the arithmetic-geometric mean (Abramowitz & Stegun 17.6).
fn ellipse(a: f64, b: f64) -> f64 {
    let (mut x, mut y, mut c2, mut power) = (1.0, b / a, 1.0 - (b / a).powi(2), 0.5);
    let mut sum = 0.0;
    while c2 > 1e-30 {
        sum += power * c2;
        c2 = ((x - y) / 2.0_f64).powi(2);
        (x, y) = (f64::midpoint(x, y), (x * y).sqrt());
        power *= 2.0;
    }
    std::f64::consts::TAU * a / x * (1.0 - sum)
}

#[test]
fn the_ellipse_reference_is_right() {
    // tabulated: a = 100, b = 75 gives 552.587304 (elliptic integral of the second kind)
    assert!((ellipse(100.0, 75.0) - 552.587_304).abs() < 1e-6);
}

#[test]
fn girth_and_arcs_of_a_half_ellipsoid_are_its_ellipses() {
    // semi-axes 77, 100, 105: girth 558.4117, front to back over the top 322.0611, side to side
    // 287.5791 (halves of the other two ellipses), all from elliptic integrals
    let mesh = ellipsoid_mesh(77.0, 100.0, 105.0, 300_000);
    let level = Plane {
        point: Point3::origin(),
        normal: Vector3::z(),
    };
    let round = girth(&mesh, &level).unwrap().length_mm;
    assert!((round - 558.4117).abs() < 0.01, "{round}");
    assert!((round - ellipse(100.0, 77.0)).abs() < 0.01);
    let p = Point3::new;
    let (front, back, top) = (p(0.0, 100.0, 0.0), p(0.0, -100.0, 0.0), p(0.0, 0.0, 105.0));
    let over = arc(&mesh, front, top, back).unwrap().length_mm;
    assert!((over - 322.0611).abs() < 0.01, "{over}");
    let across = arc(&mesh, p(-77.0, 0.0, 0.0), top, p(77.0, 0.0, 0.0));
    let across = across.unwrap().length_mm;
    assert!((across - 287.5791).abs() < 0.01, "{across}");
}

#[test]
fn all_paths_of_the_average_head_are_within_the_trades_sizes() {
    let form = form::average_head();
    let mesh = form.mesh(8000);
    let stations = form.stations();
    // stock size charts of several makers (inches 20–25, 13.25–16.5, 11–13, 11.5–13.75, 14–16.5, 5–7)
    let stock = [
        (508.0, 635.0),
        (337.0, 419.0),
        (279.0, 330.0),
        (292.0, 349.0),
        (356.0, 419.0),
        (127.0, 178.0),
    ];
    for (path, (low, high)) in TapePath::ALL.iter().zip(stock) {
        let line = measure(&mesh, &stations, *path).unwrap();
        println!(
            "{} {:.1} free {:.1}",
            path.key(),
            line.length_mm,
            line.free_mm
        );
        assert!(
            (low..=high).contains(&line.length_mm),
            "{} {}",
            path.key(),
            line.length_mm
        );
    }
    for path in &TapePath::ALL[6..] {
        let line = measure(&mesh, &stations, *path).unwrap();
        println!(
            "{} {:.1} free {:.1}",
            path.key(),
            line.length_mm,
            line.free_mm
        );
    }
}
