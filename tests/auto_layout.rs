//! The automatic layout keeps the rules of the craft and beats evenly spread darts.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use flatten::{
    Point3, Vector3,
    dart::{self, Ground, Layout, Rules, SearchOptions, Towards},
    flat::{self, StrainField},
    form::average_head,
    job::Material,
    mesh::TriMesh,
    patch::{Head, Outline, Patch},
    tape::{self, Stations, TapePath},
};

/// Too strict for any number of darts, so that the search uses all it may.
const STRICT: f64 = 0.015;

fn lace(limit: f64) -> Material {
    Material {
        name: "lace".into(),
        limit,
        tension: 1.0,
        crowding: 1.0,
    }
}

fn full_base() -> Patch {
    full_base_of(|p| p)
}

/// The form's full base with every point moved; a reflection turns the triangles over.
fn full_base_of(moved: impl Fn(Point3) -> Point3) -> Patch {
    let form = average_head();
    let (mesh, head, outline) = (form.mesh(6_000), form.head(), form.outline());
    let positions = mesh.positions().iter().map(|&p| moved(p)).collect();
    let marks = [
        head.left_ear,
        head.right_ear,
        head.front,
        head.nape,
        head.crown,
    ];
    let [left_ear, right_ear, front, nape, crown] = marks.map(&moved);
    let mirrored = (right_ear - left_ear)
        .cross(&(front - nape))
        .dot(&(crown - nape))
        < 0.0;
    let faces = mesh.faces().iter();
    let faces = faces.map(|&[a, b, c]| if mirrored { [a, c, b] } else { [a, b, c] });
    let mesh = TriMesh::new(positions, faces.collect()).unwrap();
    let ears = if mirrored {
        [right_ear, left_ear]
    } else {
        [left_ear, right_ear]
    };
    let head = Head::from_landmarks(front, nape, ears[0], ears[1], Some(crown), &mesh).unwrap();
    let outline = Outline {
        perimeter: outline.perimeter.into_iter().map(moved).collect(),
        openings: Vec::new(),
    };
    Patch::cut(&mesh, head, &outline, Vec::new()).unwrap()
}

/// A head that is wider on the client's right and has bumps.
fn uneven(p: Point3) -> Point3 {
    let swell = 1.0 + 0.18 * (p.x / 80.0).max(0.0) + 0.006 * (p.y / 11.0).sin() * (p.z / 9.0).cos();
    Point3::from(p.coords * swell)
}

fn p95(patch: &Patch, layout: &Layout) -> f64 {
    let cut = dart::cut(patch, layout).unwrap();
    let fields: Vec<StrainField> = cut
        .panels
        .iter()
        .map(|panel| flat::lay(panel, &lace(STRICT)).unwrap().1)
        .collect();
    StrainField::joined(&fields).summary(STRICT).p95
}

fn options(most: usize) -> SearchOptions {
    SearchOptions {
        fewest: most,
        most,
        rounds: 4,
        ..SearchOptions::default()
    }
}

fn assert_beats_even(patch: &Patch, count: usize) {
    let found = dart::search(patch, &lace(STRICT), &options(count)).unwrap();
    let (auto, even) = (
        p95(patch, &found.best.layout),
        p95(patch, &dart::even(patch, count)),
    );
    println!(
        "{count} darts: auto {:.2} %, even {:.2} %, {} tried",
        100.0 * auto,
        100.0 * even,
        found.tried
    );
    assert_eq!(found.best.layout.darts.len(), count);
    assert!(auto < 0.85 * even, "{count} darts: {auto}, even {even}");
    assert!(!found.met);
}

#[test]
fn automatic_darts_beat_even_ones_of_the_same_number() {
    let patch = full_base();
    for count in [4, 6] {
        assert_beats_even(&patch, count);
    }
}

#[test]
fn automatic_darts_beat_even_ones_on_small_large_and_uneven_heads() {
    assert_beats_even(&full_base_of(|p| p * 0.93), 4);
    assert_beats_even(&full_base_of(|p| p * 1.06), 4);
    assert_beats_even(&full_base_of(uneven), 4);
}

/// Mouth and point of each dart on the head.
fn ends(patch: &Patch, layout: &Layout) -> Vec<[Point3; 2]> {
    let cut = dart::cut(patch, layout).unwrap();
    let at = |v: u32| cut.mesh.position(v);
    let paths = cut.darts.iter().map(|d| &d.path);
    paths
        .map(|path| [at(path[0]), at(path[path.len() - 1])])
        .collect()
}

/// Farthest any dart's ends are from those of the nearest dart of another layout, mm.
fn farthest(a: &[[Point3; 2]], b: &[[Point3; 2]]) -> f64 {
    let gap = |p: &[Point3; 2], q: &[Point3; 2]| (p[0] - q[0]).norm().max((p[1] - q[1]).norm());
    let nearest = |p| b.iter().map(|q| gap(p, q)).fold(f64::INFINITY, f64::min);
    a.iter().map(nearest).fold(0.0, f64::max)
}

#[test]
fn a_turned_head_gets_the_same_layout_and_a_mirrored_one_its_mirror_image() {
    let found = |patch: &Patch| {
        let found = dart::search(patch, &lace(STRICT), &options(4)).unwrap();
        assert!(found.uneven_mm > 4.0, "{}", found.uneven_mm);
        (ends(patch, &found.best.layout), found.best.p95)
    };
    // Laid the same too, not only chosen from the same draws.
    let (as_is, strain) = found(&full_base_of(uneven));
    let turn = nalgebra::Rotation3::from_euler_angles(0.4, -0.9, 2.1);
    let turned = |p: Point3| turn * p + Vector3::new(30.0, -200.0, 75.0);
    let expected: Vec<_> = as_is.iter().map(|dart| dart.map(turned)).collect();
    let (other, other_strain) = found(&full_base_of(|p| turned(uneven(p))));
    let gap = farthest(&expected, &other);
    assert!(gap < 0.1, "turned: {gap} mm");
    assert!(
        (other_strain - strain).abs() < 1e-6,
        "turned: {other_strain}, {strain}"
    );
    let mirror = |p: Point3| Point3::new(-p.x, p.y, p.z);
    let expected: Vec<_> = as_is.iter().map(|dart| dart.map(mirror)).collect();
    let (other, other_strain) = found(&full_base_of(|p| mirror(uneven(p))));
    let gap = farthest(&expected, &other);
    assert!(gap < 0.1, "mirrored: {gap} mm");
    assert!(
        (other_strain - strain).abs() < 1e-6,
        "mirrored: {other_strain}, {strain}"
    );
}

#[test]
fn automatic_darts_break_no_rule_and_come_in_mirror_pairs() {
    let patch = full_base();
    let found = dart::search(&patch, &lace(STRICT), &options(4)).unwrap();
    let layout = &found.best.layout;
    let cut = dart::cut(&patch, layout).unwrap();
    // The search looks at a coarse copy: its triangles let a path come a millimetre nearer.
    let near = Ground::new(&patch, Rules::default())
        .breaches(&cut)
        .into_iter()
        .filter(|b| b.distance_mm < b.allowed_mm - 1.0)
        .collect::<Vec<_>>();
    assert!(near.is_empty(), "{near:?}");
    assert!(found.uneven_mm < 0.5, "{}", found.uneven_mm);
    for pair in layout.darts.chunks(2) {
        assert!((pair[0].depth_mm - pair[1].depth_mm).abs() < 1e-9);
        let (Towards::Turned(a), Towards::Turned(b)) = (pair[0].towards, pair[1].towards) else {
            panic!("the search orders darts by their lean");
        };
        assert!((a.abs() - b.abs()).abs() < 1e-9);
    }
}

#[test]
fn the_same_layout_comes_out_of_any_number_of_threads() {
    let patch = full_base();
    let run = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| dart::search(&patch, &lace(STRICT), &options(4)).unwrap())
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn a_small_crown_piece_gets_no_dart() {
    // A cap of 0.35 rad strains by 2 % at most when laid flat: half of α/sin α − 1 (Milnor 1969, A problem
    // in cartography, Amer. Math. Monthly 76(10)) with room for a head that is no sphere.
    let form = average_head();
    let directions = (0..24).map(|k| {
        let turn = std::f64::consts::TAU * f64::from(k) / 24.0;
        Vector3::new(
            0.35_f64.tan() * turn.cos(),
            0.35_f64.tan() * turn.sin(),
            1.0,
        )
    });
    let outline = Outline {
        perimeter: directions.map(|d| form.point(&d.normalize())).collect(),
        openings: Vec::new(),
    };
    let patch = Patch::cut(&form.mesh(6_000), form.head(), &outline, Vec::new()).unwrap();
    let found = dart::search(&patch, &lace(0.03), &SearchOptions::default()).unwrap();
    assert!(found.met, "{:?}", found.best);
    assert!(found.best.layout.darts.is_empty());
}

#[test]
fn two_narrow_darts_are_preferred_to_a_wide_one() {
    // On a cap of 45° two wide darts meet the limit, and so do four of which none is over 20 mm.
    const ANGLE: f64 = std::f64::consts::FRAC_PI_4;
    let (positions, faces) = fixtures::icosphere(90.0, 5);
    let sphere = TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap();
    let spot = |turn: f64| {
        let [x, y] = [-turn.sin(), turn.cos()].map(|part| part * ANGLE.sin());
        Point3::new(x, y, ANGLE.cos()) * 90.0
    };
    let [front, left, nape, right] =
        [0.0, 0.25, 0.5, 0.75].map(|k| spot(k * std::f64::consts::TAU));
    let top = Some(Point3::new(0.0, 0.0, 90.0));
    let head = Head::from_landmarks(front, nape, left, right, top, &sphere).unwrap();
    let outline = Outline {
        perimeter: (0..72)
            .map(|k| spot(f64::from(k) * std::f64::consts::TAU / 72.0))
            .collect(),
        openings: Vec::new(),
    };
    let patch = Patch::cut(&sphere, head, &outline, Vec::new()).unwrap();
    let widest = |reach: &dart::Reach| reach.take_up_mm.iter().copied().fold(0.0, f64::max);
    let found = dart::search(&patch, &lace(0.025), &SearchOptions::default()).unwrap();
    assert!(found.met && widest(&found.best) < 20.0, "{:?}", found.best);
    let fewer = found
        .curve
        .iter()
        .find(|r| r.layout.darts.len() == 2)
        .unwrap();
    assert!(fewer.p95 < 0.025 && widest(fewer) > 20.0, "{fewer:?}");
}

/// The tapes that a maker lays over a full base of the form.
fn tapes(patch: &Patch) -> Vec<Vec<Point3>> {
    let (form, place) = (average_head(), |&v: &u32| patch.mesh.position(v));
    let perimeter: Vec<Point3> = patch.perimeter.iter().map(place).collect();
    let (mesh, stations) = (form.mesh(6_000), Stations::of(&form.head(), &perimeter));
    let paths = [
        TapePath::FrontToNape,
        TapePath::EarToEarOver,
        TapePath::TempleToTempleBack,
    ];
    let measured = paths.map(|path| tape::measure(&mesh, &stations, path).unwrap().points);
    measured.into()
}

/// How far off its length the worst tape on a sewn base is, as far as its cloth can be laid for them.
fn tapes_off(patch: &Patch, material: &Material, tapes: &[Vec<Point3>], layout: &Layout) -> f64 {
    let panels = dart::cut(patch, layout).unwrap().panels;
    let (_, off) = flat::lay_along(&panels, material, tapes).unwrap();
    off
}

#[test]
fn a_layout_that_keeps_the_tapes_is_taken_before_one_that_does_not() {
    let (patch, options) = (full_base(), SearchOptions::default());
    let tapes = tapes(&patch);
    let each = |material: &Material, tapes: &[Vec<Point3>]| {
        let found = dart::search_each(&patch, material, tapes, &options, &[8]);
        found.unwrap().remove(0)
    };
    // Not at every limit do the shortest darts leave a tape off: at the first where they do.
    let found = [0.06, 0.041, 0.046, 0.07, 0.028, 0.032, 0.035, 0.05]
        .into_iter()
        .find_map(|limit| {
            let material = lace(limit);
            let blind = each(&material, &[]);
            let off = tapes_off(&patch, &material, &tapes, &blind.best.layout);
            (blind.met && off > flat::TAPE_WITHIN).then_some((material, blind))
        });
    let (material, blind) = found.expect("tapes matter at some limit");
    let seeing = each(&material, &tapes);
    let off = tapes_off(&patch, &material, &tapes, &seeing.best.layout);
    assert!(seeing.met && off < flat::TAPE_WITHIN + 5e-4, "{off}");
    // A tape that hangs 5 mm above the head all along is longer than any cloth: what meets the limit is taken.
    let above = |p: &Point3| p + 5.0 * (p - Point3::origin()).normalize();
    let above: Vec<Point3> = tapes[1].iter().map(above).collect();
    let unkept = each(&material, &[above]);
    assert!(
        unkept.met && unkept.best.layout == blind.best.layout,
        "{unkept:?}"
    );
}

#[test]
fn several_greatest_numbers_of_darts_get_what_each_would_get_alone() {
    let (patch, material) = (full_base(), lace(0.03));
    let options = SearchOptions {
        rounds: 4,
        ..SearchOptions::default()
    };
    let each = dart::search_each(&patch, &material, &[], &options, &[3, 0, 6]).unwrap();
    for (most, shared) in [3, 0, 6].into_iter().zip(each) {
        let alone = dart::search(&patch, &material, &SearchOptions { most, ..options }).unwrap();
        assert_eq!((&alone.best, alone.met), (&shared.best, shared.met));
        assert_eq!(alone.curve, shared.curve);
        assert_eq!(shared.most, most);
        assert!(shared.tried <= alone.tried);
    }
}
