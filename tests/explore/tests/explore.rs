//! The search that every merge has to pass. `cargo run --release -p benchward-explore -- --steps 4` goes deeper.

use benchward_core::interlock::InterlockName;
use benchward_explore::model::Bench;
use benchward_explore::world::Layout;

/// Steps from each starting point: a trip's cause goes, the right person resets, and one step more.
const STEPS: usize = 3;

#[test]
fn every_order_of_events_at_one_station() {
    let found = Bench::new(Layout::One, STEPS).search();
    assert!(found.broken.is_empty(), "{:#?}", found.broken);
    assert_eq!(found.depth, STEPS);
    // It is worth something only if it gets to where it matters.
    let reached = found.reached;
    for name in InterlockName::ALL {
        assert!(reached.tripped.contains(name), "{name} never tripped");
        assert!(reached.reset.contains(name), "{name} was never reset");
    }
    assert!(reached.resumed > 0 && reached.restarted_tripped > 0 && reached.hot > 0 && reached.latched > 0);
}

#[test]
fn every_order_of_events_at_two_stations() {
    let found = Bench::new(Layout::Two, STEPS).search();
    assert!(found.broken.is_empty(), "{:#?}", found.broken);
    assert_eq!(found.depth, STEPS);
    assert!(found.reached.resumed > 0 && found.reached.hot > 0 && found.reached.latched > 0);
}

/// Each starting point is what it says: the interlocks of the table, in its order, each tripped by itself.
#[test]
fn there_is_a_starting_point_for_every_interlock() {
    let points = Bench::new(Layout::One, 0).starting_points();
    let tripped: Vec<Vec<InterlockName>> = points
        .iter()
        .map(|(_, world)| world.tripped.iter().copied().collect())
        .filter(|tripped: &Vec<_>| !tripped.is_empty())
        .collect();
    assert!(tripped.iter().all(|tripped| tripped.len() == 1), "{tripped:?}");
    let mut names: Vec<InterlockName> = tripped.concat();
    names.dedup();
    assert_eq!(names, InterlockName::ALL);
}
