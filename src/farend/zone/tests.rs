use super::*;

const ZONE: &str = "probe.example.net";

fn asker(wants_signatures: bool) -> Asker {
    Asker {
        from: IpAddr::from([192, 0, 2, 53]),
        is_over_tcp: false,
        edns_octets: Some(1232),
        wants_signatures,
        client_subnet: Some((IpAddr::from([198, 51, 100, 0]), 24)),
    }
}

fn truth() -> Truth {
    Truth::new(ZONE, ZoneKey::fresh().unwrap()).unwrap()
}

fn ask(truth: &Truth, name: &str, kind: RecordType, signed: bool) -> Message {
    truth.look_up(&Query::query(Name::from_ascii(name).unwrap(), kind), &asker(signed))
}

fn texts(message: &Message) -> Vec<String> {
    let of = |record: &Record| match &record.data {
        RData::TXT(text) => text.txt_data.iter().map(|t| String::from_utf8_lossy(t).into_owned()).collect(),
        _ => Vec::new(),
    };
    message.answers.iter().flat_map(of).collect()
}

#[test]
fn unique_labels_have_their_address_and_all_else_does_not_exist() {
    let truth = truth();
    let ask = |name: &str, kind| ask(&truth, name, kind, false);
    let found = ask("Abc.u.probe.example.net.", RecordType::A);
    assert_eq!(found.answers[0].data, RData::A(A(address_of_label("abc"))));
    assert_eq!(found.answers.len(), 1, "no signature that nobody wants");
    assert!(found.metadata.authoritative);
    assert_eq!(ask("nothing.probe.example.net.", RecordType::A).metadata.response_code, ResponseCode::NXDomain);
    assert_eq!(ask("a.b.u.probe.example.net.", RecordType::A).metadata.response_code, ResponseCode::NXDomain);
    let empty = ask("abc.u.probe.example.net.", RecordType::AAAA);
    assert_eq!((empty.metadata.response_code, empty.answers.len()), (ResponseCode::NoError, 0));
    assert_eq!(ask("www.example.org.", RecordType::A).metadata.response_code, ResponseCode::Refused);
    assert!(ask("abc.big.probe.example.net.", RecordType::A).to_vec().unwrap().len() > 1232);
}

#[test]
fn texts_make_answers_of_the_octets_that_they_name() {
    for octets in [1200, 1400, 3000] {
        let name = format!("l0-0123456789abcdef.t{octets}.probe.example.net.");
        let mut message = ask(&truth(), &name, RecordType::TXT, false);
        message.add_query(Query::query(Name::from_ascii(&name).unwrap(), RecordType::TXT));
        message.set_edns(hickory_proto::op::Edns::new());
        assert_eq!(message.to_vec().unwrap().len(), octets, "{name}");
    }
}

#[test]
fn who_asks_and_what_came_is_told_to_who_asks_for_it() {
    let truth = truth();
    let told = |name: &str| texts(&ask(&truth, name, RecordType::TXT, true));
    let asked = AskedFrom::read(&told("a.r1.who.probe.example.net.")).unwrap();
    assert_eq!((asked.from, asked.wants_signatures, asked.is_minimised), (IpAddr::from([192, 0, 2, 53]), true, false));
    assert_eq!(asked.client_subnet, Some((IpAddr::from([198, 51, 100, 0]), 24)));
    ask(&truth, "r2.who.probe.example.net.", RecordType::A, false);
    assert!(AskedFrom::read(&told("a.r2.who.probe.example.net.")).unwrap().is_minimised);
    assert_eq!(Arrivals::read(&told("x.seen.probe.example.net.")).unwrap().queries, 0);
    (0..2).for_each(|_| drop(ask(&truth, "X.u.probe.example.net.", RecordType::A, false)));
    let seen = Arrivals::read(&told("x.seen.probe.example.net.")).unwrap();
    assert_eq!((seen.queries, seen.from), (2, vec![IpAddr::from([192, 0, 2, 53])]));
}

#[test]
fn whoever_wants_signatures_gets_them_but_for_the_zone_that_has_none() {
    let truth = truth();
    let kinds = |records: &[Record]| records.iter().map(Record::record_type).collect::<Vec<_>>();
    let of = |name: &str, kind| {
        let message = ask(&truth, name, kind, true);
        (kinds(&message.answers), kinds(&message.authorities))
    };
    use RecordType::{A, AAAA, DNSKEY, DS, NSEC, RRSIG, SOA};
    assert_eq!(of("x.u.probe.example.net.", A), (vec![A, RRSIG], vec![]));
    assert_eq!(of("probe.example.net.", DNSKEY), (vec![DNSKEY, RRSIG], vec![]));
    assert_eq!(of("x.u.probe.example.net.", AAAA), (vec![], vec![SOA, RRSIG, NSEC, RRSIG]));
    let denied = vec![SOA, RRSIG, NSEC, RRSIG, NSEC, RRSIG];
    assert_eq!(of("x.probe.example.net.", A), (vec![], denied));
    assert_eq!(of("x.plain.probe.example.net.", A), (vec![A], vec![]));
    assert_eq!(of("plain.probe.example.net.", DS), (vec![], vec![SOA, RRSIG, NSEC, RRSIG]));
}
