//! The visit: runs a plan. The only owner of tasks, and of what the agent holds on the line.
