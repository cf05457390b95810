//! Trains of packets: what opens one, its packets, and the list of arrivals.

use doorstep::wire::train::{Packet, Report, Secret, is_ready, ready};

const SECRET: [u8; 32] = [0x5a; 32];

/// Only the secret opens; packets and lists read back as they were written.
pub fn train(data: &[u8]) {
    let Some(secret) = Secret::new(&SECRET) else { return };
    assert_eq!(secret.opens(data), data == secret.opening());
    assert_eq!(is_ready(data, secret.name()), data == ready(secret.name()));
    if let Some(packet) = Packet::parse(data, secret.name()) {
        let mut again = data.to_vec();
        packet.write(secret.name(), &mut again);
        assert_eq!(again, data);
    }
    if let Some(report) = Report::parse(data) {
        assert_eq!(report.emit(), data);
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let Some(secret) = Secret::new(&SECRET) else { return Vec::new() };
    let mut packet = vec![0; 60];
    Packet { sequence: 7, sent_ns: 1_000_000 }.write(secret.name(), &mut packet);
    let list = [0, 0, 0, 9, 0, 0, 0, 1, 0, 0, 0, 7, 0, 0, 1, 0, 0, 0, 2, 0].to_vec();
    vec![secret.opening(), ready(secret.name()), packet, list]
}

pub(super) fn worst() -> Vec<Vec<u8>> {
    vec![vec![0; 8 + 12 * 100_000]]
}
