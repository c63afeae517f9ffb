//! The edge node's session: its rules one by one, and random histories held against all of them.

mod histories;
mod node;
mod rules;
