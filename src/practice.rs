//! The practice line: a line from laptop to far end built in network namespaces, shared by `demo` and the tests.
