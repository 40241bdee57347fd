//! The client's decoder: a good reply is found wherever it stands, and nothing else is taken for
//! it.

use super::frames::{any_request, bits, bytes, examples, settings};
use coilcall::units::{TroubleKind, UnitAddress};
use coilcall::wire::{
    Exception, ExceptionCode, ModbusReply, ReplyDecoder, Request, Response, RtuReplyDecoder, Step,
    exception_frame, request_frame, response_frame,
};
use proptest::collection::vec;
use proptest::prelude::*;

const UNIT: UnitAddress = UnitAddress(0x11);

fn decoder(request: &Request) -> RtuReplyDecoder {
    RtuReplyDecoder::new(UNIT, request.clone())
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

fn read_inputs() -> Request {
    Request::ReadDiscreteInputs {
        start: 0,
        count: 16,
    }
}

fn inputs(low: u8, high: u8) -> Response {
    Response::DiscreteInputs(bits(&[low, high], 16))
}

#[test]
fn each_example_is_taken_with_its_last_byte_and_not_before() {
    for (request, _, response, _) in examples() {
        let frame = response_frame(UNIT, &response);
        for length in 0..frame.len() {
            let part = &frame[..length];
            assert_eq!(
                decoder(&request).decode(part),
                Step::NeedMore,
                "{part:02X?}"
            );
            let end = decoder(&request).conclude(part);
            assert_eq!(trouble_of(&end), Some(TroubleKind::Timeout), "{part:02X?}");
        }
        let whole = decoder(&request).decode(&frame);
        assert_eq!(whole, good(&response, frame.len()));
    }
}

#[test]
fn no_single_damaged_byte_gives_another_reply() {
    for (request, _, response, _) in examples() {
        let frame = response_frame(UNIT, &response);
        for at in 0..frame.len() {
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
fn a_reply_to_another_question_is_named() {
    let other = |response: Response| response_frame(UNIT, &response);
    let write = Request::WriteCoil {
        address: 3,
        on: true,
    };
    let cases = [
        // Another unit.
        (
            read_inputs(),
            response_frame(UnitAddress(0x12), &inputs(1, 0)),
            "unit 17 expected, got unit 18",
        ),
        // Another function of the same length.
        (
            read_inputs(),
            other(Response::Coils(bits(&[1, 0], 16))),
            "function 02 expected, got 01",
        ),
        // Too few input bytes, and too many.
        (
            read_inputs(),
            other(Response::DiscreteInputs(bits(&[1], 8))),
            "2 data bytes expected, got 1 with a byte count of 1",
        ),
        (
            read_inputs(),
            other(Response::DiscreteInputs(bits(&[1, 0, 0], 24))),
            "2 data bytes expected, got 3 with a byte count of 3",
        ),
        // Another coil, and the other state.
        (
            write.clone(),
            other(Response::WroteCoil {
                address: 4,
                on: true,
            }),
            "address 3 with FF00 expected back, got address 4 with FF00",
        ),
        (
            write,
            other(Response::WroteCoil {
                address: 3,
                on: false,
            }),
            "address 3 with FF00 expected back, got address 3 with 0000",
        ),
    ];
    for (request, frame, expected) in cases {
        let step = decoder(&request).decode(&frame);
        let Step::Trouble { kind, detail } = step else {
            panic!("{frame:02X?} gave {step:?}");
        };
        assert_eq!(kind, TroubleKind::Mismatched);
        assert_eq!(detail, expected);
    }
}

#[test]
fn exceptions_are_refusals_and_busy_is_told_apart() {
    for (number, kind) in [
        (0x01, TroubleKind::Refused),
        (0x02, TroubleKind::Refused),
        (0x04, TroubleKind::Refused),
        (0x05, TroubleKind::Busy),
        (0x06, TroubleKind::Busy),
        (0x7F, TroubleKind::Refused),
    ] {
        let exception = Exception {
            function: 0x02,
            code: ExceptionCode::from_number(number),
        };
        let frame = exception_frame(UNIT, exception);
        match decoder(&read_inputs()).decode(&frame) {
            Step::Refused {
                kind: got, used, ..
            } => assert_eq!((got, used), (kind, 5)),
            other => panic!("{other:?}"),
        }
        // The exception of another function is no answer to this one.
        let other = exception_frame(
            UNIT,
            Exception {
                function: 0x03,
                ..exception
            },
        );
        let step = decoder(&read_inputs()).decode(&other);
        assert_eq!(trouble_of(&step), Some(TroubleKind::Mismatched));
    }
}

#[test]
fn our_own_read_request_is_an_echo_and_the_reply_may_follow() {
    let request = read_inputs();
    let echo = request_frame(UNIT, &request);
    let mut received = echo.clone();
    assert_eq!(decoder(&request).decode(&received), Step::NeedMore);
    let end = decoder(&request).conclude(&received);
    assert_eq!(trouble_of(&end), Some(TroubleKind::Echoed));

    received.extend(response_frame(UNIT, &inputs(0x81, 0x01)));
    match decoder(&request).decode(&received) {
        Step::Reply { reply, used } => {
            assert_eq!(reply.response, inputs(0x81, 0x01));
            assert!(reply.echo_heard);
            assert_eq!(used, received.len());
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_read_whose_reply_could_equal_its_request_is_told_as_echo() {
    // 19 coils from 0x0300: the reply has 3 data bytes, and so 8 bytes like the request.
    let request = Request::ReadCoils {
        start: 0x0300,
        count: 19,
    };
    let end = decoder(&request).conclude(&request_frame(UNIT, &request));
    assert_eq!(trouble_of(&end), Some(TroubleKind::Echoed));
}

#[test]
fn a_write_of_many_coils_is_never_confirmed_by_its_own_echo() {
    let request = Request::WriteCoils {
        start: 0,
        states: vec![false; 16],
    };
    let echo = request_frame(UNIT, &request);
    for length in 0..=echo.len() {
        let step = decoder(&request).decode(&echo[..length]);
        assert_eq!(step, Step::NeedMore);
    }
    let end = decoder(&request).conclude(&echo);
    assert_eq!(trouble_of(&end), Some(TroubleKind::Echoed));
}

#[test]
fn one_copy_of_a_coil_write_is_its_reply_unless_the_link_is_known_to_echo() {
    let request = Request::WriteCoil {
        address: 0xAC,
        on: true,
    };
    let response = Response::WroteCoil {
        address: 0xAC,
        on: true,
    };
    let copy = bytes("11 05 00 AC FF 00 4E 8B");
    assert_eq!(decoder(&request).decode(&copy), good(&response, 8));

    let echoing = || decoder(&request).on_echoing_link();
    assert_eq!(echoing().decode(&copy), Step::NeedMore);
    let end = echoing().conclude(&copy);
    assert_eq!(trouble_of(&end), Some(TroubleKind::Echoed));
    let twice = [copy.clone(), copy].concat();
    match echoing().decode(&twice) {
        Step::Reply { reply, used: 16 } => assert_eq!(reply.response, response),
        other => panic!("{other:?}"),
    }
}

#[test]
fn endless_garbage_ends_the_wait() {
    let step = decoder(&read_inputs()).decode(&[0x55; 1025]);
    assert_eq!(trouble_of(&step), Some(TroubleKind::Corrupt));
}

fn answer(request: &Request, seed: u16) -> Response {
    let bit = |index: u16| (index ^ seed).is_multiple_of(3);
    let states = |count: &u16| (0..*count).map(bit).collect();
    let values = |count: &u16| (0..*count).map(|index| index.wrapping_mul(seed)).collect();
    match request {
        Request::ReadCoils { count, .. } => Response::Coils(states(count)),
        Request::ReadDiscreteInputs { count, .. } => Response::DiscreteInputs(states(count)),
        Request::ReadHoldingRegisters { count, .. } => Response::HoldingRegisters(values(count)),
        Request::ReadInputRegisters { count, .. } => Response::InputRegisters(values(count)),
        Request::WriteCoil { address, on } => Response::WroteCoil {
            address: *address,
            on: *on,
        },
        Request::WriteRegister { address, value } => Response::WroteRegister {
            address: *address,
            value: *value,
        },
        Request::WriteCoils { start, states } => Response::WroteCoils {
            start: *start,
            count: states.len() as u16,
        },
        Request::WriteRegisters { start, values } => Response::WroteRegisters {
            start: *start,
            count: values.len() as u16,
        },
    }
}

proptest! {
    #![proptest_config(settings())]

    #[test]
    fn a_reply_is_found_behind_garbage(
        request in any_request(),
        seed in any::<u16>(),
        garbage in vec(any::<u8>(), 0..12),
    ) {
        let response = answer(&request, seed);
        let frame = response_frame(UNIT, &response);
        let received = [garbage.clone(), frame.clone()].concat();
        let mut found = decoder(&request);
        let step = match found.decode(&received) {
            Step::NeedMore => found.conclude(&received),
            step => step,
        };
        prop_assert_eq!(step, good(&response, received.len()));
    }

    #[test]
    fn a_damaged_reply_is_never_another_reply(
        request in any_request(),
        seed in any::<u16>(),
        at in any::<prop::sample::Index>(),
        flip in 1..=255_u8,
    ) {
        let mut frame = response_frame(UNIT, &answer(&request, seed));
        let at = at.index(frame.len());
        frame[at] ^= flip;
        let is_reply = |step| matches!(step, Step::Reply { .. } | Step::Refused { .. });
        prop_assert!(!is_reply(decoder(&request).decode(&frame)));
        prop_assert!(!is_reply(decoder(&request).conclude(&frame)));
    }

    #[test]
    fn the_reply_to_another_request_is_never_taken(
        asked in any_request(),
        other in any_request(),
        seed in any::<u16>(),
    ) {
        // A late reply of another shape. One of the same shape is the bus's to keep away.
        let late = answer(&other, seed);
        let same_shape = asked.function() == other.function()
            && asked.response_length() == other.response_length()
            && (asked.is_read() || answer(&asked, seed) == late);
        prop_assume!(!same_shape);
        let step = decoder(&asked).conclude(&response_frame(UNIT, &late));
        prop_assert!(trouble_of(&step).is_some(), "{step:?}");
    }
}
