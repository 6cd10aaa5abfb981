//! Vertices at which two parts of the surface only touch are parted, so that every vertex has one fan.

use crate::mesh::{NONE, index, next, prev};

use super::{Draft, EdgeTable, Mend, MendError, shell::follow_drops};

/// Parts fans, and drops faces that still share an edge with two others.
///
/// Faces that were cut off along a crowded edge part from it when their fans at its ends differ. Where they hang
/// together round the back, they are dropped; that can bare new faults, so it is repeated a few times.
pub(super) fn part(draft: &mut Draft, mut twins: Vec<u32>) -> Result<(), MendError> {
    const ROUNDS: usize = 8;
    for _ in 0..ROUNDS {
        part_fans(draft, &twins);
        let Some(keep) = without_crowded(draft, &twins) else {
            return Ok(());
        };
        let first = keep.iter().position(|k| !k).unwrap_or(0);
        let dropped = keep.iter().filter(|k| !**k).count();
        draft.note(Mend::CrowdedEdge, dropped, draft.centre(first));
        twins = follow_drops(&twins, &keep);
        draft.keep_faces(&keep);
        draft.drop_unused();
    }
    Ok(())
}

fn part_fans(draft: &mut Draft, twins: &[u32]) {
    let mut seen = vec![false; twins.len()];
    let mut taken = vec![false; draft.positions.len()];
    let (mut parted, mut place) = (0, None);
    let mut fan = Vec::new();
    for start in 0..index(twins.len()) {
        if seen[start as usize] {
            continue;
        }
        collect_fan(start, twins, &mut seen, &mut fan);
        let vertex = draft.faces[(start / 3) as usize][(start % 3) as usize];
        if !std::mem::replace(&mut taken[vertex as usize], true) {
            continue;
        }
        place = place.or(Some(draft.point(vertex)));
        parted += 1;
        let double = draft.double(vertex);
        for &h in &fan {
            draft.faces[(h / 3) as usize][(h % 3) as usize] = double;
        }
    }
    if let Some(place) = place {
        draft.note(Mend::TouchingPoint, parted, place);
    }
}

/// The half-edges that leave the start's vertex within its fan.
fn collect_fan(start: u32, twins: &[u32], seen: &mut [bool], fan: &mut Vec<u32>) {
    fan.clear();
    let mut at = start;
    while at != NONE && !seen[at as usize] {
        seen[at as usize] = true;
        fan.push(at);
        at = twins[prev(at) as usize];
    }
    if at != NONE {
        return;
    }
    // The fan has a rim: the other way round from the start.
    let mut at = twins[start as usize];
    while at != NONE {
        let leaving = next(at);
        if std::mem::replace(&mut seen[leaving as usize], true) {
            break;
        }
        fan.push(leaving);
        at = twins[leaving as usize];
    }
}

/// Marks of the faces to keep, when some share an edge without being neighbours.
fn without_crowded(draft: &Draft, twins: &[u32]) -> Option<Vec<bool>> {
    let table = EdgeTable::new(draft.positions.len(), &draft.faces);
    let mut keep = vec![true; draft.faces.len()];
    let mut all = true;
    let mut drop = |h: u32| {
        keep[(h / 3) as usize] = false;
        all = false;
    };
    for edge in table.edges().filter(|edge| edge.len() > 1) {
        if edge.len() == 2 && twins[edge[0].1 as usize] == edge[1].1 {
            continue;
        }
        // One pair of neighbours may stay.
        let pair = edge
            .iter()
            .map(|&(_, h)| h)
            .find(|&h| twins[h as usize] != NONE);
        for &(_, h) in edge {
            let in_pair = pair.is_some_and(|p| h == p || twins[p as usize] == h);
            if !in_pair {
                drop(h);
            }
        }
    }
    (!all).then_some(keep)
}
