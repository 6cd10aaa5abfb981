//! Small crosses drawn with the line's pen: found where they were drawn, and taken for nothing else.

use flatten::{
    Point3, Vector3,
    form::HeadForm,
    trace::{Landmark, propose, trace},
};

use super::{asked, clean, hairline, mirror, off, paint::Painting, some_head};

/// A painted head, which landmarks have a cross and where.
struct Marked {
    form: HeadForm,
    painting: Painting,
    crosses: Vec<(Landmark, Point3)>,
    /// A cross that is no landmark's, as of a scar.
    stray: Option<Point3>,
}

/// Crosses of 9 to 16 mm, wider pens larger ones, strokes 70 to 110 degrees apart and one longer than the other;
/// a stroke across the line instead in one of two at front and nape. Each is left out in one of four scans.
fn marked(seed: u64) -> Marked {
    let mut rng = fastrand::Rng::with_seed(seed + 5000);
    let mut between = |a: f64, b: f64| a + (b - a) * rng.f64();
    let form = some_head(&mut between);
    let mut painting = Painting::plain(vec![hairline(&form)]);
    painting.width = between(1.6, 3.2);
    painting.hair.1 = [0.0, 0.0, 0.3, 0.5][between(0.0, 3.999) as usize];
    painting.noise = between(0.0, 8.0);
    let from = Vector3::new(between(-1.0, 1.0), between(-1.0, 1.0), between(-1.0, 1.0)).normalize();
    painting.light = (from, between(0.4, 1.0));
    painting.seed = seed;
    for _ in 0..between(0.0, 8.0) as usize {
        let normal =
            Vector3::new(between(-1.0, 1.0), between(-1.0, 1.0), between(-1.0, 1.0)).normalize();
        let bright = if between(0.0, 1.0) < 0.6 { 0.5 } else { -0.2 };
        painting
            .edges
            .push((normal, between(-60.0, 60.0), bright, between(0.3, 0.8)));
    }
    let head = form.head();
    let mut crosses = Vec::new();
    let places = [
        head.front,
        head.nape,
        head.left_ear,
        head.right_ear,
        head.crown,
    ];
    for (landmark, place) in Landmark::ALL.into_iter().zip(places) {
        if between(0.0, 1.0) < 0.25 {
            continue;
        }
        let spread = |landmark| match landmark {
            Landmark::Front | Landmark::Nape => [6.0, 0.0],
            Landmark::LeftEar | Landmark::RightEar => [8.0, 8.0],
            Landmark::Crown => [10.0, 25.0],
        };
        let [aside, along] = spread(landmark);
        let own = [between(-aside, aside), between(-along, along)];
        let middle = matches!(landmark, Landmark::Front | Landmark::Nape);
        let long = f64::max(9.0, 4.5 * painting.width) * between(1.0, 1.3);
        if middle && between(0.0, 1.0) < 0.5 {
            // a stroke across the line is no cross, and must not bend the line
            painting.mark(&form, &place, Vector3::z(), long);
            continue;
        }
        // clear of the line: beside it, or inside it at front and nape
        let shift = if middle {
            Vector3::new(own[0], 0.0, 16.0)
        } else {
            Vector3::new(0.0, own[1], own[0])
        };
        let shift = if landmark == Landmark::Crown {
            Vector3::new(own[0], own[1], 0.0)
        } else {
            shift
        };
        let clear = clear_of(
            &painting,
            form.point(&(place.coords + shift)),
            &form,
            0.5 * long + 2.0,
        );
        let normal = clear.coords.normalize();
        let u = normal.cross(&Vector3::new(0.3, 1.0, 0.2)).normalize();
        let w = normal.cross(&u);
        let turn = between(0.0, std::f64::consts::TAU);
        let open = between(70.0, 110.0_f64).to_radians();
        for (turn, long) in [(turn, long), (turn + open, long * between(1.0, 1.3))] {
            painting.mark(&form, &clear, u * turn.cos() + w * turn.sin(), long);
        }
        crosses.push((landmark, clear));
    }
    let stray = (between(0.0, 1.0) < 0.3).then(|| form.point(&Vector3::new(60.0, -40.0, 70.0)));
    if let Some(stray) = &stray {
        painting.mark(&form, stray, Vector3::new(1.0, 1.0, 0.0), 14.0);
        painting.mark(&form, stray, Vector3::new(1.0, -1.0, 0.0), 14.0);
    }
    Marked {
        form,
        painting,
        crosses,
        stray,
    }
}

/// The place moved up until no ink of the line is within `reach`.
fn clear_of(painting: &Painting, mut place: Point3, form: &HeadForm, reach: f64) -> Point3 {
    let ink = |p: &Point3| painting.strokes[0].distance(p) - 0.5 * painting.width;
    while ink(&place) < reach {
        place = form.point(&(place.coords + Vector3::z()));
    }
    place
}

/// Seeds 0 to 7 served while the method was made; how often it is right on others stands in DEVELOPERS.md.
#[test]
fn crosses_become_landmarks_and_are_taken_for_nothing_else() {
    let (first, count) = (asked("FIRST", 10), asked("CROSSES", 2));
    let (mut drawn, mut found, mut wrong, mut invented, mut lines_off) = (0, 0, 0, 0, 0);
    let mut worst = 0.0_f64;
    for seed in first..first + count {
        let Marked {
            form,
            painting,
            crosses,
            stray,
        } = marked(seed);
        let mirrored = seed % 2 == 1;
        let mesh = form.mesh(110_000);
        let mut raw = painting.on_vertices(mesh.positions(), mesh.faces());
        let place = |p: &Point3| Point3::new(if mirrored { -p.x } else { p.x }, p.y, p.z);
        if mirrored {
            raw.positions.iter_mut().for_each(|p| *p = place(p));
            mirror(&mut raw);
        }
        let truth: Vec<(Landmark, Point3)> = crosses
            .iter()
            .map(|(landmark, p)| {
                let landmark = match landmark {
                    Landmark::LeftEar if mirrored => Landmark::RightEar,
                    Landmark::RightEar if mirrored => Landmark::LeftEar,
                    other => *other,
                };
                (landmark, place(p))
            })
            .collect();
        let mold = clean(raw);
        let traced = trace(&mold, None).unwrap();
        let proposal = propose(&mold.mesh, &traced).unwrap();
        let head = &proposal.head;
        let at = [
            head.front,
            head.nape,
            head.left_ear,
            head.right_ear,
            head.crown,
        ];
        drawn += truth.len() + usize::from(stray.is_some());
        for (landmark, p) in &truth {
            let off = (at[*landmark as usize] - p).norm();
            if proposal.drawn.contains(landmark) && off < 2.0 {
                found += 1;
                worst = worst.max(off);
            } else {
                println!(
                    "{seed}: {} missed, {off:.1} mm: drawn at {p}, {:?}",
                    landmark.name(),
                    traced.crosses
                );
            }
        }
        let not_there = |landmark: &&Landmark| !truth.iter().any(|(own, _)| own == *landmark);
        wrong += proposal.drawn.iter().filter(not_there).count();
        let stray_seen = stray.is_some_and(|p| {
            proposal
                .other_crosses
                .iter()
                .any(|c| (c.place - place(&p)).norm() < 2.0)
        });
        found += usize::from(stray_seen);
        invented += proposal.other_crosses.len() - usize::from(stray_seen);
        let mut line = painting.strokes[0].clone();
        line.points.iter_mut().for_each(|p| *p = place(p));
        let line_off = off(&traced.perimeter, &line).anywhere;
        lines_off += usize::from(line_off > 0.5 * painting.width);
        assert!(
            traced.openings.is_empty(),
            "{seed}: an opening was invented"
        );
        println!(
            "{seed}: width {:.1} hair {} noise {:.1}: {} of {} as drawn, line {line_off:.2} mm off, gaps {:?}, doubts {:?} {:?}",
            painting.width,
            painting.hair.1,
            painting.noise,
            proposal.drawn.len(),
            truth.len(),
            traced.perimeter.gaps.len(),
            traced.doubts,
            proposal.doubts
        );
    }
    println!(
        "{found} of {drawn} crosses found, at most {worst:.2} mm off; {wrong} landmarks at crosses that are not there, {invented} crosses invented; {lines_off} of {count} lines off"
    );
    // one in twenty is missed, most of them thin on hair; a missed one is told, a false one misleads
    assert!(found + 1 + drawn / 12 >= drawn, "{found} of {drawn}");
    assert_eq!((wrong, invented, lines_off), (0, 0, 0));
}
