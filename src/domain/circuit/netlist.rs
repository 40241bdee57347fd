//! Nodes and the parts between them: a circuit as a solver takes it.
//!
//! Place in the data's path: `build` makes one from a profile and a bench, `fault_edit` changes
//! it, the solver and the export for an outside solver read it. It knows no terminal: nodes and
//! elements have names only.

use super::{CircuitError, ElementKind};
use std::sync::Arc;

/// A node's place in its netlist.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(pub(super) usize);

/// An element's place in its netlist.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ElementId(pub(super) usize);

/// One part between two nodes. A current is counted positive from `from` to `to`.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// Its name, for people.
    pub name: Arc<str>,
    /// The node at its first end.
    pub from: NodeId,
    /// The node at its second end.
    pub to: NodeId,
    /// What it is.
    pub kind: ElementKind,
}

/// Named nodes, the parts between them, and the node against which tensions are counted.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Netlist {
    nodes: Vec<Arc<str>>,
    elements: Vec<Element>,
    reference: Option<NodeId>,
}

impl Netlist {
    /// An empty netlist.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a node; the name is for people and need not be unique, though `build` keeps it so.
    pub fn add_node(&mut self, name: &str) -> NodeId {
        self.nodes.push(Arc::from(name));
        NodeId(self.nodes.len() - 1)
    }

    /// The node of that name, added where there is none yet.
    pub fn node(&mut self, name: &str) -> NodeId {
        self.find_node(name).unwrap_or_else(|| self.add_node(name))
    }

    /// The node of that name.
    #[must_use]
    pub fn find_node(&self, name: &str) -> Option<NodeId> {
        self.nodes
            .iter()
            .position(|known| &**known == name)
            .map(NodeId)
    }

    /// Names the node against which tensions are counted.
    pub fn set_reference(&mut self, node: NodeId) {
        self.reference = Some(node);
    }

    /// The node against which tensions are counted.
    #[must_use]
    pub fn reference(&self) -> Option<NodeId> {
        self.reference
    }

    /// Adds a part between two nodes.
    ///
    /// # Errors
    /// [`CircuitError::OutsidePhysics`] where a value cannot be, naming the part.
    pub fn add(
        &mut self,
        name: &str,
        from: NodeId,
        to: NodeId,
        kind: ElementKind,
    ) -> Result<ElementId, CircuitError> {
        kind.check(name)?;
        self.elements.push(Element {
            name: Arc::from(name),
            from,
            to,
            kind,
        });
        Ok(ElementId(self.elements.len() - 1))
    }

    /// Puts another part in an element's place.
    ///
    /// # Errors
    /// [`CircuitError::OutsidePhysics`] where a value cannot be, naming the part.
    pub fn replace(&mut self, element: ElementId, kind: ElementKind) -> Result<(), CircuitError> {
        let place = &mut self.elements[element.0];
        kind.check(&place.name)?;
        place.kind = kind;
        Ok(())
    }

    /// Moves an element's ends to other nodes.
    pub fn rewire(&mut self, element: ElementId, from: NodeId, to: NodeId) {
        let place = &mut self.elements[element.0];
        place.from = from;
        place.to = to;
    }

    /// One element.
    #[must_use]
    pub fn element(&self, element: ElementId) -> &Element {
        &self.elements[element.0]
    }

    /// Every element, in the order in which it was added.
    #[must_use]
    pub fn elements(&self) -> &[Element] {
        &self.elements
    }

    /// What every element is, in the same order: the solver's input, to be changed by state.
    #[must_use]
    pub fn kinds(&self) -> Vec<ElementKind> {
        self.elements.iter().map(|element| element.kind).collect()
    }

    /// Every node's name, in the order in which it was added.
    #[must_use]
    pub fn nodes(&self) -> &[Arc<str>] {
        &self.nodes
    }

    /// A node's name.
    #[must_use]
    pub fn node_name(&self, node: NodeId) -> &str {
        &self.nodes[node.0]
    }

    /// The nodes that any chain of elements joins to the given one.
    pub(super) fn joined_to(&self, start: NodeId) -> Vec<bool> {
        let mut reached = vec![false; self.nodes.len()];
        reached[start.0] = true;
        loop {
            let mut grew = false;
            for element in &self.elements {
                let (a, b) = (element.from.0, element.to.0);
                if reached[a] != reached[b] {
                    reached[a] = true;
                    reached[b] = true;
                    grew = true;
                }
            }
            if !grew {
                return reached;
            }
        }
    }
}
