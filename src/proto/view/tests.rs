use super::*;

struct Table(HashMap<u16, Key>);

impl Sessions for Table {
    fn session_key(&self, session: u16) -> Option<Key> {
        self.0.get(&session).cloned()
    }
}

const AGENT: &str = "198.51.100.2:4000";
const OTHER: &str = "203.0.113.99:53";

fn at(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

fn key() -> Key {
    Key::new(b"session one")
}

struct Scene {
    view: View,
    table: Table,
    now: Instant,
    asked: u8,
}

impl Scene {
    fn new(limits: Limits) -> Self {
        Self { view: View::new(limits, [9; 32]), table: Table(HashMap::from([(1, key())])), now: Instant::now(), asked: 0 }
    }

    fn ask(&mut self, from: &str, size: usize, attributes: &[Attribute]) -> Result<Option<Reply>, Refusal> {
        self.asked += 1;
        let mut request = Message::new(Class::Request, [self.asked; 12]).with(Attribute::Username(1));
        request.attributes.extend(attributes.iter().cloned());
        let bytes = request.emit(&key(), Some(size)).unwrap();
        self.give(from, &bytes)
    }

    fn give(&mut self, from: &str, bytes: &[u8]) -> Result<Option<Reply>, Refusal> {
        self.view.on_packet(self.now, Port::First, at(from), bytes, &self.table)
    }

    fn nonce(&mut self, from: &str) -> Attribute {
        let reply = self.ask(from, 120, &[]).unwrap().unwrap();
        let read = stun::parse(&reply.bytes).unwrap();
        read.message.attributes.into_iter().find(|a| matches!(a, Attribute::Nonce(_))).unwrap()
    }
}

#[test]
fn a_signed_request_is_told_its_address_in_no_more_octets() {
    let mut scene = Scene::new(Limits::default());
    let reply = scene.ask(AGENT, 120, &[]).unwrap().unwrap();
    assert!((reply.from, reply.to) == (Port::First, at(AGENT)) && reply.bytes.len() <= 120);
    let read = stun::parse(&reply.bytes).unwrap();
    assert!(read.is_signed_by(&key()) && read.message.attributes.contains(&Attribute::MappedAddress(at(AGENT))));
    assert_eq!(scene.ask(AGENT, 60, &[]), Err(Refusal::TooShort));
}

#[test]
fn what_no_session_signed_is_met_with_silence() {
    let mut scene = Scene::new(Limits::default());
    let request = Message::new(Class::Request, [1; 12]).with(Attribute::Username(1));
    let forged = request.emit(&Key::new(b"guess"), Some(120)).unwrap();
    assert_eq!(scene.give(AGENT, &forged), Err(Refusal::Forged));
    let nobody = Message::new(Class::Request, [1; 12]).with(Attribute::Username(2)).emit(&key(), Some(120)).unwrap();
    assert_eq!(scene.give(AGENT, &nobody), Err(Refusal::Forged));
    let answer = Message::new(Class::Success, [1; 12]).with(Attribute::Username(1)).emit(&key(), Some(120)).unwrap();
    assert_eq!(scene.give(AGENT, &answer), Err(Refusal::Unreadable));
    let unknown = request.with(Attribute::Other { kind: 0x0007, value: Vec::new() }).emit(&key(), Some(120)).unwrap();
    assert_eq!(scene.give(AGENT, &unknown), Err(Refusal::Unreadable));
}

#[test]
fn a_captured_request_can_be_replayed_to_nobody() {
    let mut scene = Scene::new(Limits::default());
    let bytes = Message::new(Class::Request, [77; 12]).with(Attribute::Username(1)).emit(&key(), Some(120)).unwrap();
    assert!(scene.give(AGENT, &bytes).unwrap().is_some());
    assert_eq!(scene.give(OTHER, &bytes), Err(Refusal::Repeated));
}

#[test]
fn what_goes_elsewhere_later_or_larger_needs_the_nonce_of_its_own_address() {
    let mut scene = Scene::new(Limits::default());
    let nonce = scene.nonce(AGENT);
    for wish in [Attribute::ChangePort, Attribute::ReplySize(200), Attribute::Delay(1)] {
        assert_eq!(scene.ask(AGENT, 240, std::slice::from_ref(&wish)), Err(Refusal::NotProven), "{wish:?}");
        assert_eq!(scene.ask(OTHER, 240, &[nonce.clone(), wish.clone()]), Err(Refusal::NotProven), "{wish:?}");
        assert!(scene.ask(AGENT, 240, &[nonce.clone(), wish]).is_ok());
    }
    let other_port = scene.ask(AGENT, 240, &[nonce, Attribute::ChangePort]).unwrap().unwrap();
    assert_eq!(other_port.from, Port::Second);
}

#[test]
fn all_answers_together_are_never_longer_than_all_requests() {
    let mut scene = Scene::new(Limits::default());
    let nonce = scene.nonce(AGENT);
    assert_eq!(scene.ask(AGENT, 700, &[nonce.clone(), Attribute::ReplySize(1400)]), Err(Refusal::TooShort));
    // The refused request was paid in all the same: with one more there is enough.
    let reply = scene.ask(AGENT, 700, &[nonce.clone(), Attribute::ReplySize(1400)]).unwrap().unwrap();
    assert_eq!(reply.bytes.len(), 1400);
    let (mut paid, mut got) = (120 + 1400_usize, 1400 + 80_usize);
    for size in [200_usize, 90, 1000, 333, 96, 128].into_iter().cycle().take(60) {
        let wish = [nonce.clone(), Attribute::ReplySize(1472)];
        paid += size.max(Message::new(Class::Request, [0; 12]).signed_len());
        if let Ok(Some(reply)) = scene.ask(AGENT, size.max(120), &wish) {
            got += reply.bytes.len();
        }
        assert!(got <= paid + 60 * 120, "{got} octets for {paid}");
    }
}

#[test]
fn a_delayed_answer_comes_at_its_time_and_not_after_the_session() {
    let mut scene = Scene::new(Limits::default());
    let nonce = scene.nonce(AGENT);
    assert_eq!(scene.ask(AGENT, 240, &[nonce.clone(), Attribute::Delay(30)]), Ok(None));
    let due = scene.now + Duration::from_secs(30);
    assert_eq!(scene.view.next_wake(), Some(due));
    assert_eq!(scene.view.transmit(due - Duration::from_millis(1), &scene.table), None);
    assert_eq!(scene.view.transmit(due, &scene.table).map(|r| r.to), Some(at(AGENT)));
    assert_eq!(scene.ask(AGENT, 240, &[nonce.clone(), Attribute::Delay(201)]), Err(Refusal::TooMuch));
    assert_eq!(scene.ask(AGENT, 240, &[nonce, Attribute::Delay(30)]), Ok(None));
    scene.table.0.clear();
    assert_eq!((scene.view.transmit(due, &scene.table), scene.view.next_wake()), (None, None));
}

#[test]
fn memory_and_answers_are_bounded() {
    let limits = Limits { addresses: 4, requests: 8, waiting: 2, ..Limits::default() };
    let mut scene = Scene::new(limits);
    let nonce = scene.nonce(AGENT);
    for _ in 0..2 {
        assert_eq!(scene.ask(AGENT, 240, &[nonce.clone(), Attribute::Delay(9)]), Ok(None));
    }
    assert_eq!(scene.ask(AGENT, 240, &[nonce, Attribute::Delay(9)]), Err(Refusal::TooMuch));
    for port in 1..5 {
        let _ = scene.ask(&format!("198.51.100.2:{port}"), 120, &[]);
    }
    assert_eq!(scene.view.sources.len(), 4);
    assert_eq!(scene.ask(AGENT, 120, &[]), Err(Refusal::UsedUp));
    // The number is given to another session, with a key of its own: it starts anew, and nothing of the old one is sent.
    let later = Key::new(b"session two");
    scene.table.0.insert(1, later.clone());
    let request = Message::new(Class::Request, [1; 12]).with(Attribute::Username(1)).emit(&later, Some(120)).unwrap();
    assert!(scene.give(AGENT, &request).unwrap().is_some());
    assert_eq!(scene.view.transmit(scene.now + Duration::from_secs(9), &scene.table), None);
}

#[test]
fn what_a_router_said_about_an_answer_is_told_with_the_next() {
    let mut scene = Scene::new(Limits::default());
    scene.view.on_too_big(at(AGENT), 1400);
    let silent = scene.ask(AGENT, 120, &[]).unwrap().unwrap();
    assert!(!stun::parse(&silent.bytes).unwrap().message.attributes.iter().any(|a| matches!(a, Attribute::TooBig(_))));
    scene.view.on_too_big(at(AGENT), 1400);
    let told = scene.ask(AGENT, 120, &[]).unwrap().unwrap();
    assert!(stun::parse(&told.bytes).unwrap().message.attributes.contains(&Attribute::TooBig(1400)));
}
