//! Kea as the tests set it up.

use std::path::Path;

use crate::cable::Line;
use crate::server::Server;

/// Starts Kea on the server's end with these parts of its configuration: top-level members, members of the one subnet, and
/// what is optional in its pool.
pub(crate) fn start(line: &Line, directory: &Path, top: &str, pool: &str) -> Server {
    let config = directory.join("kea.json");
    let text = format!(
        r#"{{ "Dhcp4": {{
        "interfaces-config": {{ "interfaces": [ "lan" ], "dhcp-socket-type": "raw" }},
        "lease-database": {{ "type": "memfile", "persist": false }},
        "valid-lifetime": 600, {top}
        "subnet4": [ {{ "subnet": "192.0.2.0/24", "pools": [ {{ "pool": "192.0.2.100-192.0.2.120"{pool} }} ],
            "option-data": [
                {{ "name": "routers", "data": "192.0.2.1" }},
                {{ "name": "domain-name-servers", "data": "203.0.113.53" }} ] }} ],
        "loggers": [ {{ "name": "kea-dhcp4", "severity": "INFO", "output_options": [ {{ "output": "stdout", "flush": true }} ] }} ] }} }}"#
    );
    std::fs::write(&config, text).expect("writable");
    let mut command = line.server.namespace().command("kea-dhcp4");
    command.env("KEA_PIDFILE_DIR", directory).env("KEA_LOCKFILE_DIR", directory).arg("-c").arg(config);
    Server::start(command, "DHCP4_STARTED")
}
