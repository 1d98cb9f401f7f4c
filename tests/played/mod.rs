//! What the tests on the virtual bench share: the engines of the Wrenfield Harbour Railway, and how one is played.
use pacewright::bench::virtual_bench::{VirtualBench, VirtualEnd};
use pacewright::config::{self, BenchSpec};
use pacewright::run::{RunOutcome, RunPlan};
use pacewright::sim::{SimSpec, demo_engines};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// Longer than any run may take by its bench file.
const LIMIT: Duration = Duration::from_secs(4 * 3600);

/// Each test file may take this many threads; the machines that test it are small.
const THREADS: usize = 2;

/// An engine with its recipe and its bench file.
#[derive(Clone, Copy)]
pub(crate) struct Engine {
    pub(crate) name: &'static str,
    pub(crate) recipe: fn(u64) -> SimSpec,
    pub(crate) text: &'static str,
}

pub(crate) const ENGINES: [Engine; 4] = [
    Engine {
        name: "lapwing",
        recipe: demo_engines::lapwing,
        text: include_str!("../../scenarios/lapwing.toml"),
    },
    Engine {
        name: "avocet",
        recipe: demo_engines::avocet,
        text: include_str!("../../scenarios/avocet.toml"),
    },
    Engine {
        name: "curlew",
        recipe: demo_engines::curlew,
        text: include_str!("../../scenarios/curlew.toml"),
    },
    Engine {
        name: "dunlin",
        recipe: demo_engines::dunlin,
        text: include_str!("../../scenarios/dunlin.toml"),
    },
];

impl Engine {
    /// What its bench file says.
    pub(crate) fn spec(self) -> BenchSpec {
        config::read(&format!("{}.toml", self.name), self.text)
            .unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)))
    }

    /// A bench with this engine, `sim` being its recipe with whatever a test changed in it.
    pub(crate) fn bench(self, sim: SimSpec) -> VirtualBench {
        VirtualBench::new(sim, RunPlan::new(self.spec()), self.text)
    }
}

/// Plays to the end.
pub(crate) fn play(bench: VirtualBench) -> VirtualEnd {
    let end = bench.run_to_end(LIMIT).unwrap();
    assert_eq!(end.broken, None);
    end
}

/// The result of a run that ended.
pub(crate) fn outcome(end: &VirtualEnd) -> &RunOutcome {
    end.outcome.as_ref().unwrap_or_else(|| panic!("it did not end within {LIMIT:?}"))
}

/// Does `work` for every case, in any order, on a few threads; results in the order of the cases.
pub(crate) fn for_each<C: Sync, R: Send>(cases: &[C], work: impl Fn(&C) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..THREADS {
            scope.spawn(|| {
                while let Some((at, case)) = take(&next, cases) {
                    let result = work(case);
                    done.lock().unwrap().push((at, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, result)| result).collect()
}

fn take<'a, C>(next: &AtomicUsize, cases: &'a [C]) -> Option<(usize, &'a C)> {
    let at = next.fetch_add(1, Ordering::Relaxed);
    cases.get(at).map(|case| (at, case))
}
