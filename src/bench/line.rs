//! Line: work that takes longer than an answer may, one piece after the other.
//!
//! Orders are kept in the store, so that none is lost when the program ends; one that was running then
//! is offered again. A single thread does the work: measuring already uses all cores.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::http::StatusCode;
use serde::{Deserialize, Serialize};

use super::Refusal;
use super::calibrate;
use super::ids::{Kind, id};
use super::lock::lock;
use super::measure;
use super::refusal::command_words;
use super::store::Store;
use crate::commands::CommandError;
use crate::progress::Progress;

/// Most orders that wait: more are a mistake of whoever sends them.
const MOST_WAITING: usize = 50;

/// Name of the folder of the store.
const LINE: &str = "line";

/// Work that is asked for. All names are inside the folder that is served.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "work")]
pub enum Order {
    /// A clip to measure.
    Measure(measure::Order),
    /// A camera to calibrate.
    Calibrate(calibrate::Order),
}

impl Order {
    /// The id of what comes out of it.
    pub fn id(&self) -> String {
        match self {
            Self::Measure(order) => id(Kind::Measurement, &order.out),
            Self::Calibrate(order) => id(Kind::Camera, &order.out),
        }
    }

    /// What comes out of it, by its name inside the folder.
    pub fn out(&self) -> &Path {
        match self {
            Self::Measure(order) => &order.out,
            Self::Calibrate(order) => &order.out,
        }
    }

    fn run(&self, root: &Path, progress: Watched) -> Result<(), CommandError> {
        match self {
            Self::Measure(order) => order.run(root, Box::new(progress)),
            Self::Calibrate(order) => order.run(root, &progress),
        }
    }
}

/// How far an order is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum State {
    /// Others come first.
    Waiting,
    /// It is being done.
    Running,
    /// It could not be done.
    Failed {
        /// What is wrong.
        error: String,
        /// What to do.
        help: String,
        /// Whether the program ended before the work did.
        interrupted: bool,
    },
}

/// An order with its state, as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Kept {
    number: u64,
    order: Order,
    state: State,
}

/// How far work is.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Advance {
    /// What is being done.
    pub work: String,
    /// Steps done.
    pub done: u64,
    /// Steps in all, where that is known.
    pub total: Option<u64>,
    /// Time that is left, s, where it can be estimated.
    pub left_s: Option<f64>,
}

/// One order of the line and its present state.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The id of what comes out of it.
    pub id: String,
    /// What is asked for.
    pub order: Order,
    /// How far it is.
    pub state: State,
    /// How far the work is, while it runs.
    pub advance: Advance,
    /// How many orders come before it.
    pub before: usize,
}

/// What the worker says while it works.
#[derive(Default)]
struct Running {
    advance: Mutex<Advance>,
    is_cancelled: AtomicBool,
}

/// Shows the line how far the work is.
pub struct Watched {
    running: Arc<Running>,
    begun: Mutex<(String, Instant)>,
}

impl Progress for Watched {
    fn advance(&self, work: &str, done: u64, total: Option<u64>) {
        let mut begun = lock(&self.begun);
        if begun.0 != work {
            *begun = (work.to_owned(), Instant::now());
        }
        let elapsed_s = begun.1.elapsed().as_secs_f64();
        let left_s = total.filter(|_| done > 0).map(|total| {
            let left = total.saturating_sub(done) as f64;
            elapsed_s * left / done as f64
        });
        *lock(&self.running.advance) = Advance {
            work: work.to_owned(),
            done,
            total,
            left_s,
        };
    }

    fn is_cancelled(&self) -> bool {
        self.running.is_cancelled.load(Ordering::Relaxed)
    }
}

#[derive(Default)]
struct Orders {
    all: VecDeque<(Kept, Arc<Running>)>,
    last_number: u64,
    is_ending: bool,
    is_working: bool,
}

/// The line of orders.
pub struct Line {
    root: PathBuf,
    store: Store,
    orders: Mutex<Orders>,
    changed: Condvar,
}

impl Line {
    /// The line as it was when the program ended last, with nobody working on it yet.
    pub fn of(root: &Path, store: Store) -> Self {
        let mut orders = Orders::default();
        for name in store.names(LINE) {
            let Some(mut kept) = store.read::<Kept>(&name) else {
                continue;
            };
            if !matches!(kept.state, State::Failed { .. }) {
                kept.state = interrupted();
                let _ = store.write(&name, &kept);
            }
            orders.last_number = orders.last_number.max(kept.number);
            orders.all.push_back((kept, Arc::default()));
        }
        orders
            .all
            .make_contiguous()
            .sort_by_key(|(kept, _)| kept.number);
        Self {
            root: root.into(),
            store,
            orders: Mutex::new(orders),
            changed: Condvar::new(),
        }
    }

    /// Adds an order at the end; one with the same result that failed is replaced.
    ///
    /// # Errors
    /// Too many wait, or the order cannot be kept.
    pub fn add(&self, order: Order) -> Result<String, Refusal> {
        let id = order.id();
        let mut orders = lock(&self.orders);
        let same = orders
            .all
            .iter()
            .position(|(kept, _)| kept.order.id() == id);
        match same.map(|place| (place, &orders.all[place].0.state)) {
            Some((_, State::Waiting | State::Running)) => return Ok(id),
            Some((place, State::Failed { .. })) => drop(orders.all.remove(place)),
            None => {}
        }
        if orders.all.len() >= MOST_WAITING {
            return Err(Refusal::new(
                StatusCode::TOO_MANY_REQUESTS,
                format!("{MOST_WAITING} jobs are already waiting"),
                "wait until some are done, or cancel them",
            ));
        }
        orders.last_number += 1;
        let kept = Kept {
            number: orders.last_number,
            order,
            state: State::Waiting,
        };
        self.keep(&kept)?;
        orders.all.push_back((kept, Arc::default()));
        self.changed.notify_all();
        Ok(id)
    }

    /// Takes up an order again that failed or was interrupted.
    pub fn resume(&self, id: &str) -> Result<(), Refusal> {
        let order = self.entry(id).map(|entry| entry.order);
        let order = order.ok_or_else(|| Refusal::not_found("order"))?;
        self.add(order).map(drop)
    }

    /// Takes an order out of the line; one that runs ends soon.
    pub fn cancel(&self, id: &str) -> Result<(), Refusal> {
        let mut orders = lock(&self.orders);
        let place = orders
            .all
            .iter()
            .position(|(kept, _)| kept.order.id() == id);
        let place = place.ok_or_else(|| Refusal::not_found("order"))?;
        let (kept, running) = &orders.all[place];
        if kept.state == State::Running {
            running.is_cancelled.store(true, Ordering::Relaxed);
            return Ok(());
        }
        self.forget(kept);
        orders.all.remove(place);
        Ok(())
    }

    /// All orders in their order.
    pub fn entries(&self) -> Vec<Entry> {
        let orders = lock(&self.orders);
        let is_ahead = |kept: &Kept| !matches!(kept.state, State::Failed { .. });
        let entries = orders.all.iter().enumerate();
        entries
            .map(|(place, (kept, running))| Entry {
                id: kept.order.id(),
                order: kept.order.clone(),
                state: kept.state.clone(),
                advance: lock(&running.advance).clone(),
                before: (orders.all.iter().take(place))
                    .filter(|(kept, _)| is_ahead(kept))
                    .count(),
            })
            .collect()
    }

    /// The order of an id.
    pub fn entry(&self, id: &str) -> Option<Entry> {
        self.entries().into_iter().find(|entry| entry.id == id)
    }

    /// Whether an order of the line makes the folder or the file of that name.
    pub fn is_for(&self, name: &Path) -> bool {
        let orders = lock(&self.orders);
        orders.all.iter().any(|(kept, _)| kept.order.out() == name)
    }

    /// Works on the line until it ends.
    pub fn work(&self) {
        while let Some((kept, running)) = self.next() {
            let watched = Watched {
                running,
                begun: Mutex::new((String::new(), Instant::now())),
            };
            let order = kept.order.clone();
            let root = self.root.clone();
            // A panic in a stage costs this order, not the line.
            let work = std::panic::AssertUnwindSafe(move || order.run(&root, watched));
            let result = std::panic::catch_unwind(work);
            self.done(&kept, result.ok());
        }
    }

    /// The next order, marked as running; `None` when the line ends.
    fn next(&self) -> Option<(Kept, Arc<Running>)> {
        let mut orders = lock(&self.orders);
        loop {
            if orders.is_ending {
                return None;
            }
            let waiting = (orders.all.iter_mut()).find(|(kept, _)| kept.state == State::Waiting);
            if let Some((kept, running)) = waiting {
                kept.state = State::Running;
                let next = (kept.clone(), running.clone());
                orders.is_working = true;
                let _ = self.keep(&next.0);
                return Some(next);
            }
            let waited = self.changed.wait(orders);
            orders = waited.unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn done(&self, kept: &Kept, result: Option<Result<(), CommandError>>) {
        let mut orders = lock(&self.orders);
        orders.is_working = false;
        let is_ending = orders.is_ending;
        let id = kept.order.id();
        let place = orders
            .all
            .iter()
            .position(|(kept, _)| kept.order.id() == id);
        let failed = match result {
            // The order stays as it is kept, so that the next start offers it again.
            Some(Err(CommandError::Cancelled)) if is_ending => Some(interrupted()),
            Some(Ok(()) | Err(CommandError::Cancelled)) => None,
            Some(Err(error)) => {
                let (error, help) = command_words(&error);
                Some(State::Failed {
                    error,
                    help,
                    interrupted: false,
                })
            }
            None => Some(State::Failed {
                error: "the program failed while it worked on this clip".into(),
                help: "try again; if it fails again, report it with the clip".into(),
                interrupted: false,
            }),
        };
        if let (Some(place), Some(state)) = (place, failed) {
            orders.all[place].0.state = state;
            let _ = self.keep(&orders.all[place].0);
        } else {
            self.forget(kept);
            place.map(|place| orders.all.remove(place));
        }
        self.changed.notify_all();
    }

    /// Ends the line: what runs is broken off, and given up after `most`.
    pub fn end(&self, most: Duration) {
        let mut orders = lock(&self.orders);
        orders.is_ending = true;
        for (_, running) in &orders.all {
            running.is_cancelled.store(true, Ordering::Relaxed);
        }
        self.changed.notify_all();
        let until = |orders: &mut Orders| orders.is_working;
        let _ = self.changed.wait_timeout_while(orders, most, until);
    }

    fn keep(&self, kept: &Kept) -> Result<(), Refusal> {
        let name = format!("{LINE}/{}.json", kept.order.id());
        self.store.write(&name, kept).map_err(|cause| {
            Refusal::not_kept(StatusCode::UNPROCESSABLE_ENTITY, "the order", &cause)
        })
    }

    fn forget(&self, kept: &Kept) {
        self.store
            .remove(&format!("{LINE}/{}.json", kept.order.id()));
    }
}

fn interrupted() -> State {
    State::Failed {
        error: "the program ended before this was done".into(),
        help: "go on with it: completed work is not repeated".into(),
        interrupted: true,
    }
}
