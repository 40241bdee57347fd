//! The order in which a netlist's nodes are eliminated.
//!
//! Place in the data's path: the solver's first step. It depends on which nodes have an element
//! between them, not on the elements' values, so that one order serves every state of a circuit's
//! contacts and coils.

use super::{CircuitError, ElementId, Netlist, NodeId};

/// Every node's place in the order, and which later places each one touches when its turn comes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct EliminationOrder {
    /// Each node's place.
    pub(super) position: Vec<usize>,
    /// So many places at the start belong to nodes that no changing element touches.
    pub(super) fixed: usize,
    /// The later places that each place touches, in order.
    pub(super) later: Vec<Vec<u32>>,
    /// The same for the places after the fixed ones, counted from the first of them.
    pub(super) later_in_core: Vec<Vec<u32>>,
}

/// A set of nodes as bits.
#[derive(Debug, Clone)]
struct NodeSet(Vec<u64>);

impl NodeSet {
    fn insert(&mut self, node: usize) {
        self.0[node / 64] |= 1 << (node % 64);
    }

    fn remove(&mut self, node: usize) {
        self.0[node / 64] &= !(1 << (node % 64));
    }

    fn len(&self) -> u32 {
        self.0.iter().map(|word| word.count_ones()).sum()
    }

    fn iter(&self) -> impl Iterator<Item = usize> + '_ {
        self.0.iter().enumerate().flat_map(|(index, word)| {
            let mut rest = *word;
            std::iter::from_fn(move || {
                let bit = rest.trailing_zeros() as usize;
                rest &= rest.wrapping_sub(1);
                (bit < 64).then_some(index * 64 + bit)
            })
        })
    }
}

impl EliminationOrder {
    /// Nodes that no changing element touches first, then the others; in each part a node with the
    /// fewest neighbours first. The reference is kept to the last.
    pub(super) fn of(netlist: &Netlist, changing: &[ElementId]) -> Result<Self, CircuitError> {
        let reference = netlist.reference().ok_or(CircuitError::NoReference)?.0;
        let count = netlist.nodes().len();
        let mut neighbours = vec![NodeSet(vec![0; count.div_ceil(64)]); count];
        for element in netlist.elements() {
            if element.from != element.to {
                neighbours[element.from.0].insert(element.to.0);
                neighbours[element.to.0].insert(element.from.0);
            }
        }
        let mut in_core = vec![false; count];
        in_core[reference] = true;
        for element in changing {
            let element = netlist.element(*element);
            in_core[element.from.0] = true;
            in_core[element.to.0] = true;
        }
        let core_size = in_core.iter().filter(|core| **core).count();
        let mut position = vec![count - 1; count];
        let mut touched: Vec<NodeSet> = Vec::with_capacity(count);
        for core in [false, true] {
            let wanted = |node: &usize| in_core[*node] == core && *node != reference;
            let mut waiting: Vec<usize> = (0..count).filter(wanted).collect();
            while let Some(index) = (0..waiting.len()).min_by_key(|i| neighbours[waiting[*i]].len())
            {
                let node = waiting.swap_remove(index);
                position[node] = touched.len();
                let around = std::mem::replace(&mut neighbours[node], NodeSet(Vec::new()));
                for one in around.iter() {
                    let set = &mut neighbours[one];
                    for (word, more) in set.0.iter_mut().zip(&around.0) {
                        *word |= more;
                    }
                    set.remove(node);
                    set.remove(one);
                }
                touched.push(around);
            }
        }
        let fixed = count - core_size;
        let places = |around: &NodeSet| {
            let place = |node| u32::try_from(position[node]).expect("a netlist is far smaller");
            let mut places: Vec<u32> = around.iter().map(place).collect();
            places.sort_unstable();
            places
        };
        let later: Vec<Vec<u32>> = touched.iter().map(places).collect();
        let first = u32::try_from(fixed).expect("a netlist is far smaller");
        let core = later.iter().skip(fixed);
        let later_in_core = core
            .map(|places| places.iter().map(|place| place - first).collect())
            .collect();
        Ok(Self {
            position,
            fixed,
            later,
            later_in_core,
        })
    }

    /// The node at a place, where it has a path to the reference.
    pub(super) fn refuse_floating(
        &self,
        netlist: &Netlist,
        place: usize,
    ) -> Result<NodeId, CircuitError> {
        let index = self.position.iter().position(|known| *known == place);
        let node = NodeId(index.expect("every place belongs to a node"));
        let island = netlist.joined_to(node);
        let reference = netlist.reference().ok_or(CircuitError::NoReference)?;
        if island[reference.0] {
            return Ok(node);
        }
        let name = |node| netlist.node_name(node).to_owned();
        let mut elements = netlist.elements().iter();
        let supply = elements.find(|element| element.kind.is_source() && island[element.from.0]);
        Err(match supply {
            Some(element) => CircuitError::FloatingSupply {
                element: element.name.to_string(),
                node: name(element.from),
                reference: name(reference),
            },
            None => CircuitError::Floating {
                node: name(node),
                reference: name(reference),
            },
        })
    }
}
