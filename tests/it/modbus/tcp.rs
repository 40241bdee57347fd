//! Frames over TCP: the header by hand around the published examples, every damaged header, and
//! replies under other transaction numbers.
//!
//! Header form: Modbus messaging on TCP/IP V1.0b, 3.1.3 (from memory; an independent
//! implementation in both roles confirms it in the tests of the driver).

use super::frames::{bytes, examples};
use coilcall::units::{TroubleKind, UnitAddress};
use coilcall::wire::{
    Exception, ExceptionCode, ModbusReply, ReplyDecoder, Request, Response, Step, TcpReplyDecoder,
    TcpRequestDecoder, TransactionId, tcp_exception_frame, tcp_request_frame, tcp_response_frame,
};

const ID: TransactionId = TransactionId(0x1501);
const UNIT: UnitAddress = UnitAddress(0x11);

fn read_inputs() -> Request {
    Request::ReadDiscreteInputs {
        start: 0,
        count: 16,
    }
}

fn inputs(low: u8, high: u8) -> Response {
    let bit = |index: u16| (u16::from_le_bytes([low, high]) >> index) & 1 == 1;
    Response::DiscreteInputs((0..16).map(bit).collect())
}

fn decoder(request: &Request) -> TcpReplyDecoder {
    TcpReplyDecoder::new(ID, UNIT, request.clone())
}

fn good(response: &Response, used: usize) -> Step<ModbusReply> {
    Step::Reply {
        reply: ModbusReply {
            response: response.clone(),
            echo_heard: false,
        },
        used,
    }
}

fn trouble_of(step: &Step<ModbusReply>) -> Option<TroubleKind> {
    match step {
        Step::Trouble { kind, .. } => Some(*kind),
        _ => None,
    }
}

#[test]
fn the_published_requests_and_responses_travel_behind_a_header() {
    for (request, asked, response, answered) in examples() {
        let framed = |pdu: &str| {
            let pdu = bytes(pdu);
            let mut frame = bytes("15 01 00 00 00");
            frame.extend([u8::try_from(pdu.len() + 1).unwrap(), 0x11]);
            frame.extend(pdu);
            frame
        };
        assert_eq!(tcp_request_frame(ID, UNIT, &request), framed(asked));
        assert_eq!(tcp_response_frame(ID, UNIT, &response), framed(answered));

        let mut server = TcpRequestDecoder::new();
        let frame = framed(asked);
        let (last, before) = frame.split_last().unwrap();
        for byte in before {
            server.push(&[*byte]);
            assert_eq!(server.take(), Ok(None));
        }
        server.push(&[*last]);
        let received = server.take().unwrap().expect("a whole request");
        assert_eq!((received.id, received.unit), (ID, UNIT));
        assert_eq!(received.request, Ok(request.clone()));

        let reply = framed(answered);
        for length in 0..reply.len() {
            let mut client = decoder(&request);
            assert_eq!(client.decode(&reply[..length]), Step::NeedMore);
            let end = client.conclude(&reply[..length]);
            assert_eq!(trouble_of(&end), Some(TroubleKind::Timeout), "{length}");
        }
        let whole = decoder(&request).decode(&reply);
        assert_eq!(whole, good(&response, reply.len()));
    }
}

#[test]
fn no_damaged_byte_of_the_header_or_function_gives_a_reply() {
    for (request, _, response, _) in examples() {
        let frame = tcp_response_frame(ID, UNIT, &response);
        for at in 0..8 {
            for flip in 1..=255 {
                let mut damaged = frame.clone();
                damaged[at] ^= flip;
                let end = decoder(&request).conclude(&damaged);
                assert!(trouble_of(&end).is_some(), "{damaged:02X?} gave {end:?}");
            }
        }
    }
}

#[test]
fn a_reply_under_another_number_is_dropped_and_waiting_goes_on() {
    let stale = tcp_response_frame(TransactionId(0x1500), UNIT, &inputs(0xFF, 0xFF));
    let own = tcp_response_frame(ID, UNIT, &inputs(0x81, 0x01));
    let mut client = decoder(&read_inputs());
    assert_eq!(client.decode(&stale), Step::NeedMore);
    let mut both = stale.clone();
    both.extend(&stale);
    assert_eq!(client.decode(&both[..stale.len() + 3]), Step::NeedMore);
    assert_eq!(client.decode(&both), Step::NeedMore);
    both.extend(&own);
    assert_eq!(
        client.decode(&both),
        good(&inputs(0x81, 0x01), 2 * stale.len() + own.len())
    );

    let mut waiting = decoder(&read_inputs());
    match waiting.conclude(&both[..2 * stale.len()]) {
        Step::Trouble { kind, detail } => {
            assert_eq!(kind, TroubleKind::Timeout);
            assert_eq!(
                detail,
                "no byte came, behind 2 under other transaction numbers"
            );
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_is_wrong_under_our_own_number_is_named() {
    let check = |frame: Vec<u8>, kind, expected: &str| {
        let step = decoder(&read_inputs()).decode(&frame);
        let Step::Trouble { kind: got, detail } = step else {
            panic!("{frame:02X?} gave {step:?}");
        };
        assert_eq!((got, detail.as_str()), (kind, expected));
    };
    let response = inputs(1, 0);
    check(
        tcp_response_frame(ID, UnitAddress(0x12), &response),
        TroubleKind::Mismatched,
        "unit 17 expected, got unit 18",
    );
    check(
        tcp_response_frame(ID, UNIT, &Response::DiscreteInputs(vec![true; 8])),
        TroubleKind::Mismatched,
        "2 data bytes expected, got 1 with a byte count of 1",
    );
    check(
        tcp_response_frame(ID, UNIT, &Response::Coils(vec![true; 16])),
        TroubleKind::Mismatched,
        "function 02 expected, got 01",
    );
    check(
        tcp_request_frame(ID, UNIT, &read_inputs()),
        TroubleKind::Echoed,
        "",
    );
    check(
        bytes("15 01 00 07 00 05 11 02 02 01 00"),
        TroubleKind::Corrupt,
        "protocol 0 expected in the header, got 7",
    );
    check(
        bytes("15 01 00 00 00 01 11 02"),
        TroubleKind::Corrupt,
        "a length of 2 to 254 expected in the header, got 1",
    );
    check(
        bytes("15 01 00 00 01 00 11 02"),
        TroubleKind::Corrupt,
        "a length of 2 to 254 expected in the header, got 256",
    );
}

#[test]
fn exceptions_are_refusals_of_their_own_function_alone() {
    let exception = |function, code| Exception { function, code };
    let frame = |exception| tcp_exception_frame(ID, UNIT, exception);
    for (code, kind) in [
        (ExceptionCode::IllegalDataAddress, TroubleKind::Refused),
        (ExceptionCode::GatewayTargetSilent, TroubleKind::Refused),
        (ExceptionCode::Busy, TroubleKind::Busy),
    ] {
        match decoder(&read_inputs()).decode(&frame(exception(0x02, code))) {
            Step::Refused {
                kind: got, used, ..
            } => assert_eq!((got, used), (kind, 9)),
            other => panic!("{other:?}"),
        }
    }
    let other = frame(exception(0x03, ExceptionCode::Busy));
    let step = decoder(&read_inputs()).decode(&other);
    assert_eq!(trouble_of(&step), Some(TroubleKind::Mismatched));
}

#[test]
fn a_server_refuses_what_is_wrong_in_a_good_frame_and_gives_up_a_bad_header() {
    let mut server = TcpRequestDecoder::new();
    server.push(&bytes("15 01 00 00 00 06 11 05 00 00 12 34"));
    server.push(&bytes("15 02 00 00 00 02 11 2B"));
    let refused = |server: &mut TcpRequestDecoder| {
        let received = server.take().unwrap().expect("a whole request");
        received.request.expect_err("refused").code
    };
    assert_eq!(refused(&mut server), ExceptionCode::IllegalDataValue);
    assert_eq!(refused(&mut server), ExceptionCode::IllegalFunction);
    server.push(b"GET / HTTP/1.1\r\n");
    assert!(server.take().is_err());
}
