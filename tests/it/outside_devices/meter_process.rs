//! Our SCPI driver against a meter written in Python, over its pseudo-terminal.

use super::{Serving, in_real_time, script};
use coilcall::driver::{BusHandle, LinkTiming, ScpiMeter, SerialConnector};
use coilcall::port::Meter;
use coilcall::units::{
    DeviceName, LinkName, LinkSpec, LinkTransport, MeterAccuracy, MeterValue, Milliseconds, Parity,
    Quantity, ScpiSpec, SerialSettings, Trouble, TroubleKind,
};

async fn open(path: &str) -> ScpiMeter {
    let link = LinkSpec {
        name: LinkName::new("bench").unwrap(),
        transport: LinkTransport::SerialPath {
            path: path.to_owned(),
            settings: SerialSettings {
                baud: 115_200,
                parity: Parity::None,
                stop_bits: 1,
            },
        },
        reply_timeout_ms: Milliseconds(3000),
        late_reply_ms: Milliseconds(100),
    };
    let connector = Box::new(SerialConnector::of(&link).expect("a serial link"));
    let bus = BusHandle::open(link.name.clone(), LinkTiming::of(&link), connector).await;
    let spec = ScpiSpec {
        ac_volts: Some("MEAS:VOLT:AC?".to_owned()),
        resistance: None,
        ac_volts_range: None,
        resistance_range: None,
        accuracy: MeterAccuracy {
            percent: 0.7,
            counts: 2.0,
            resolution: 0.01,
        },
        input_ohms: 10e6,
    };
    ScpiMeter::new(DeviceName::new("meter").unwrap(), spec, bus.unwrap())
}

#[test]
fn a_meter_of_another_hand_is_identified_read_and_refused() {
    in_real_time(async {
        let answers = ["24.13", "+2.5E+01", "9.9E37", "12 OHM", "-", "0.02 V"];
        let process = Serving::start(script("meter_process.py").args(answers));
        let meter = open(&process.place).await;
        let identity = meter.identify().await.unwrap().text;
        assert_eq!(identity, "BENCHWORKS,HANDHELD 4,0,2.1");
        let volts = || async { meter.read(Quantity::AcVolts).await };
        assert_eq!(volts().await, Ok(MeterValue::Value(24.13)));
        assert_eq!(volts().await, Ok(MeterValue::Value(25.0)));
        assert_eq!(volts().await, Ok(MeterValue::Overload));
        let refused = |trouble: Trouble, said: &str| {
            assert_eq!(trouble.kind, TroubleKind::Refused, "{trouble}");
            assert!(trouble.detail.contains(said), "{trouble}");
        };
        refused(volts().await.unwrap_err(), "it said '12 OHM'");
        refused(volts().await.unwrap_err(), "-230 Data corrupt or stale");
        assert_eq!(volts().await, Ok(MeterValue::Value(0.02)));
        drop(process);
        let gone = volts().await.unwrap_err();
        assert_eq!(gone.kind, TroubleKind::Disconnected, "{gone}");
    });
}
