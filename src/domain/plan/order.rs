//! The order of calls with the least mandated dwell that obeys every rule of the plan.
//!
//! Place in the data's path: the planner describes its calls by what each costs, what has to be
//! waited between two of them and which must come first; here the best order is found. What the
//! waits are is `order_rules`'. Where no order is better than the given one, the given one stays.

use crate::units::Milliseconds;

/// In which order a run makes its calls.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum CallOrder {
    /// As the table lists them.
    #[default]
    Given,
    /// With the least mandated dwell.
    Fastest,
}

/// Up to as many calls every order is looked at; beyond, the given order is improved step by step.
const EXACT_UP_TO: usize = 13;

/// Calls by their number in the given order, from 0.
pub(super) struct OrderModel<'a> {
    /// What each call takes by itself, wherever it stands.
    pub(super) own: &'a [Milliseconds],
    /// What is waited between the first call and the second where they follow each other.
    pub(super) between: &'a dyn Fn(usize, usize) -> Milliseconds,
    /// What is waited after the last call.
    pub(super) at_end: &'a dyn Fn(usize) -> Milliseconds,
    /// Whether the first call must be made before the second. The given order obeys it.
    pub(super) before: &'a dyn Fn(usize, usize) -> bool,
}

impl OrderModel<'_> {
    /// The whole dwell of an order.
    pub(super) fn dwell(&self, order: &[usize]) -> Milliseconds {
        let own: u64 = order.iter().map(|at| self.own[*at].0).sum();
        let pairs = order.windows(2);
        let between: u64 = pairs.map(|pair| (self.between)(pair[0], pair[1]).0).sum();
        let end = order.last().map_or(0, |last| (self.at_end)(*last).0);
        Milliseconds(own + between + end)
    }

    /// Whether an order obeys what must come first.
    fn obeys(&self, order: &[usize]) -> bool {
        let pairs = (0..order.len()).flat_map(|at| (at + 1..order.len()).map(move |to| (at, to)));
        pairs
            .into_iter()
            .all(|(first, later)| !(self.before)(order[later], order[first]))
    }

    /// The order with the least dwell; the given one where none is better.
    pub(super) fn fastest(&self) -> Vec<usize> {
        let given: Vec<usize> = (0..self.own.len()).collect();
        assert!(self.obeys(&given), "the given order obeys the rules");
        let found = if given.len() <= EXACT_UP_TO {
            self.best_of_all()
        } else {
            self.improved(given.clone())
        };
        if self.dwell(&found) < self.dwell(&given) {
            found
        } else {
            given
        }
    }

    /// Dynamic programming over the sets of calls made so far and the last of them: what came
    /// before the last does not change what is yet to be waited. Of equally good orders it is the
    /// one that keeps most of the given order from its start.
    fn best_of_all(&self) -> Vec<usize> {
        let count = self.own.len();
        let needed: Vec<usize> = (0..count).map(|call| self.needed_first(call)).collect();
        let may_follow = |set: usize| {
            let needed = &needed;
            (0..count).filter(move |next| set & (1 << next) == 0 && needed[*next] & !set == 0)
        };
        // For each set and its last call: what is still to be waited.
        let mut ahead = vec![0_u64; count << count];
        let at = |set: usize, last: usize| set * count + last;
        let all = (1 << count) - 1;
        let next_and_ahead = |ahead: &[u64], set: usize, last: usize, next: usize| {
            (self.between)(last, next).0 + ahead[at(set | 1 << next, next)]
        };
        for set in (1..=all).rev() {
            for last in (0..count).filter(|last| set & (1 << last) != 0) {
                let least = may_follow(set).map(|next| next_and_ahead(&ahead, set, last, next));
                // A set that no rule allows has nothing that may follow, and is never entered.
                ahead[at(set, last)] = least.min().unwrap_or_else(|| (self.at_end)(last).0);
            }
        }
        let mut order = Vec::with_capacity(count);
        let mut set = 0;
        while order.len() < count {
            let next = match order.last() {
                None => may_follow(0).min_by_key(|first| ahead[at(1 << first, *first)]),
                Some(last) => {
                    may_follow(set).min_by_key(|next| next_and_ahead(&ahead, set, *last, *next))
                }
            };
            let next = next.expect("the given order obeys the rules, so some call may follow");
            set |= 1 << next;
            order.push(next);
        }
        order
    }

    /// The set of calls that must be made before this one.
    fn needed_first(&self, call: usize) -> usize {
        (0..self.own.len())
            .filter(|other| *other != call && (self.before)(*other, call))
            .fold(0, |set, other| set | 1 << other)
    }

    /// Takes one call out and puts it elsewhere as long as that makes the dwell less. Each turn
    /// makes it less by a millisecond at least, so it ends.
    fn improved(&self, mut order: Vec<usize>) -> Vec<usize> {
        loop {
            let now = self.dwell(&order);
            let moves =
                (0..order.len()).flat_map(|from| (0..order.len()).map(move |to| (from, to)));
            let better = moves
                .map(|(from, to)| {
                    let mut moved = order.clone();
                    let call = moved.remove(from);
                    moved.insert(to, call);
                    moved
                })
                .find(|moved| self.dwell(moved) < now && self.obeys(moved));
            match better {
                Some(moved) => order = moved,
                None => return order,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Everything that one case needs, as tables.
    #[derive(Debug, Clone)]
    struct Case {
        own: Vec<Milliseconds>,
        between: Vec<Vec<u64>>,
        at_end: Vec<u64>,
        /// A call of a lower rank must be made before one of a higher; the given order is sorted.
        ranks: Vec<u8>,
    }

    impl Case {
        fn with<T>(&self, ask: impl FnOnce(&OrderModel<'_>) -> T) -> T {
            ask(&OrderModel {
                own: &self.own,
                between: &|from, to| Milliseconds(self.between[from][to]),
                at_end: &|last| Milliseconds(self.at_end[last]),
                before: &|first, later| self.ranks[first] < self.ranks[later],
            })
        }

        /// The least dwell, by trying every order.
        fn by_force(&self) -> u64 {
            let sorted = |order: &[usize]| order.is_sorted_by_key(|call| self.ranks[*call]);
            let dwell = |order: &[usize]| {
                let mut total: u64 = order.iter().map(|call| self.own[*call].0).sum();
                for place in 1..order.len() {
                    total += self.between[order[place - 1]][order[place]];
                }
                total + order.last().map_or(0, |last| self.at_end[*last])
            };
            let orders = every_order(self.own.len());
            let allowed = orders.iter().filter(|order| sorted(order));
            allowed.map(|order| dwell(order)).min().expect("one order")
        }
    }

    fn every_order(count: usize) -> Vec<Vec<usize>> {
        let mut orders = vec![Vec::new()];
        for call in 0..count {
            let with = |order: &Vec<usize>| {
                let places = 0..=order.len();
                let inserted = places.map(|place| {
                    let mut longer = order.clone();
                    longer.insert(place, call);
                    longer
                });
                inserted.collect::<Vec<_>>()
            };
            orders = orders.iter().flat_map(with).collect();
        }
        orders
    }

    fn cases(count: std::ops::RangeInclusive<usize>) -> impl Strategy<Value = Case> {
        count.prop_flat_map(|count| {
            let waits = || prop::collection::vec(0..400_u64, count);
            let ranks = prop::collection::vec(0..3_u8, count);
            (
                waits(),
                prop::collection::vec(waits(), count),
                waits(),
                ranks,
            )
                .prop_map(|(own, between, at_end, mut ranks)| {
                    ranks.sort_unstable();
                    Case {
                        own: own.into_iter().map(Milliseconds).collect(),
                        between,
                        at_end,
                        ranks,
                    }
                })
        })
    }

    proptest! {
        #[test]
        fn the_search_finds_what_force_finds(case in cases(0..=7)) {
            let found = case.with(|model| {
                let order = model.fastest();
                assert!(model.obeys(&order));
                model.dwell(&order)
            });
            prop_assert_eq!(found.0, case.by_force());
        }

        #[test]
        fn it_is_never_slower_than_the_given_order(case in cases(10..=20)) {
            case.with(|model| {
                let order = model.fastest();
                let given: Vec<usize> = (0..case.own.len()).collect();
                let mut sorted = order.clone();
                sorted.sort_unstable();
                assert_eq!(sorted, given, "every call, each once");
                assert!(model.obeys(&order));
                assert!(model.dwell(&order) <= model.dwell(&given));
            });
        }
    }

    #[test]
    fn where_nothing_depends_on_the_order_the_given_one_stays() {
        let case = Case {
            own: vec![Milliseconds(500); 20],
            between: vec![vec![7; 20]; 20],
            at_end: vec![7; 20],
            ranks: vec![0; 20],
        };
        let given: Vec<usize> = (0..20).collect();
        assert_eq!(case.with(|model| model.fastest()), given);
    }
}
