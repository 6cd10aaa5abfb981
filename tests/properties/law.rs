//! Runs a law on random cases, and counts those that it says nothing about.

use std::{
    cell::{Cell, RefCell},
    collections::BTreeMap,
};

use proptest::{
    prelude::Strategy,
    test_runner::{Config, RngAlgorithm, TestCaseError, TestRng, TestRunner},
};

/// A number that the caller of the tests may set.
fn asked(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    let number = text.parse();
    Some(number.unwrap_or_else(|_| panic!("{name} is {text:?}; it takes a whole number")))
}

/// A case that a law says nothing about, and why: counted by these words.
pub(crate) fn skip(why: &'static str) -> TestCaseError {
    TestCaseError::reject(why)
}

/// A law, how many cases it is tried on, and the greatest share of them that it may skip: a law that
/// skips what it should judge proves nothing.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Law {
    pub(crate) name: &'static str,
    pub(crate) cases: u32,
    pub(crate) may_skip: f64,
}

impl Law {
    /// Tries the law. Without `PROPERTY_SEED` the cases are the same every time.
    pub(crate) fn holds<S: Strategy>(
        self,
        cases: &S,
        test: impl Fn(S::Value) -> Result<(), TestCaseError>,
    ) {
        let times = asked("PROPERTY_CASES").map_or(1, |n| u32::try_from(n).unwrap_or(u32::MAX));
        let wanted = self.cases.saturating_mul(times);
        let config = Config {
            cases: wanted,
            failure_persistence: None,
            max_shrink_iters: 40,
            max_global_rejects: wanted.saturating_mul(4).saturating_add(100),
            ..Config::default()
        };
        let seed = asked("PROPERTY_SEED");
        let dice = match seed {
            None => TestRng::deterministic_rng(RngAlgorithm::ChaCha),
            Some(seed) => {
                let mut bytes = [0; 32];
                bytes[..8].copy_from_slice(&seed.to_le_bytes());
                TestRng::from_seed(RngAlgorithm::ChaCha, &bytes)
            }
        };
        let tried = Cell::new(0_u32);
        let skipped: RefCell<BTreeMap<String, u32>> = RefCell::default();
        let mut runner = TestRunner::new_with_rng(config, dice);
        let done = runner.run(cases, |case| {
            tried.set(tried.get() + 1);
            let held = test(case);
            if let Err(TestCaseError::Reject(why)) = &held {
                *skipped.borrow_mut().entry(why.to_string()).or_default() += 1;
            }
            held
        });
        let (name, tried, skipped) = (self.name, tried.get(), skipped.into_inner());
        if let Err(why) = done {
            panic!("{name}: {why}");
        }
        let count: u32 = skipped.values().sum();
        println!("{name}: held in {wanted} cases; {count} of {tried} skipped: {skipped:?}");
        // The usual cases keep the share as it stands; of others, a few dozen miss it by two standard deviations of
        // the binomial distribution now and then.
        let spread = (self.may_skip * (1.0 - self.may_skip) / f64::from(tried)).sqrt();
        let most = self.may_skip + seed.map_or(0.0, |_| 2.0 * spread);
        assert!(
            f64::from(count) <= most * f64::from(tried),
            "{name}: {count} of {tried} cases were skipped, more than {:.0} %: {skipped:?}",
            100.0 * most
        );
    }
}
