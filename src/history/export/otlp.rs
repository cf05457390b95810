//! Visits as metrics of OTLP (OpenTelemetry protocol 1.x), binary protobuf: one request's octets, and what an answer to it says.
//!
//! The message types are those that the project generates from the published definitions. Its SDK is left out on purpose: it stamps a gauge with the moment
//! of sending, and what is sent here was measured at a moment of its own.

use std::collections::BTreeMap;

use opentelemetry_proto::tonic::collector::metrics::v1::{ExportMetricsServiceRequest, ExportMetricsServiceResponse};
use opentelemetry_proto::tonic::common::v1::any_value::Value;
use opentelemetry_proto::tonic::common::v1::{AnyValue, InstrumentationScope, KeyValue};
use opentelemetry_proto::tonic::metrics::v1::{
    Gauge, Metric, NumberDataPoint, ResourceMetrics, ScopeMetrics, metric, number_data_point,
};
use opentelemetry_proto::tonic::resource::v1::Resource;
use prost::Message as _;

use super::{Rows, VERDICTS, word};
use crate::history::{Service, Visit};
use crate::reading::{Unit, names, words};

/// What a request and its answer say that they are (OTLP specification, "Binary Protobuf Encoding").
pub const OTLP_CONTENT_TYPE: &str = "application/x-protobuf";

/// Octets of a request with these visits: a gauge for each reading, its unit in UCUM, each point stamped with the start and end of its visit.
pub fn otlp(visits: &[Rows]) -> Vec<u8> {
    let mut gauges: BTreeMap<(String, &'static str), Vec<NumberDataPoint>> = BTreeMap::new();
    let mut put = |name: &str, unit: Unit, point: NumberDataPoint| {
        gauges.entry((format!("doorstep.{name}"), unit.symbol())).or_default().push(point);
    };
    for Rows { visit, readings } in visits {
        match visit.service {
            Service::Up => put("visit.service", Unit::One, point(visit, &[], 1.0)),
            Service::Down => put("visit.service", Unit::One, point(visit, &[], 0.0)),
            Service::Unknown => {}
        }
        for verdict in VERDICTS {
            let is_it = f64::from(u8::from(visit.verdict == verdict));
            put("visit.verdict", Unit::One, point(visit, &[("verdict", verdict.word().to_owned())], is_it));
        }
        for kept in readings {
            let figure = &kept.figure;
            let selectors = [
                ("target", figure.target.as_ref().map(words::target_words).unwrap_or_default()),
                ("direction", word(&figure.direction)),
                ("family", word(&figure.family)),
                ("load", word(&figure.load)),
            ];
            put(&figure.name, kept.unit, point(visit, &selectors, kept.value));
        }
    }
    let metrics = gauges.into_iter().map(|((name, unit), data_points)| Metric {
        description: described(&name),
        name,
        unit: unit.to_owned(),
        data: Some(metric::Data::Gauge(Gauge { data_points })),
        ..Metric::default()
    });
    let version = env!("CARGO_PKG_VERSION");
    let scope =
        InstrumentationScope { name: "doorstep".to_owned(), version: version.to_owned(), ..InstrumentationScope::default() };
    let attributes = vec![attribute("service.name", "doorstep"), attribute("service.version", version)];
    let request = ExportMetricsServiceRequest {
        resource_metrics: vec![ResourceMetrics {
            resource: Some(Resource { attributes, ..Resource::default() }),
            scope_metrics: vec![ScopeMetrics { scope: Some(scope), metrics: metrics.collect(), ..ScopeMetrics::default() }],
            ..ResourceMetrics::default()
        }],
    };
    request.encode_to_vec()
}

/// What a receiver that took a request says of it: points that it left out and why, or a warning without any; `None` when it has nothing to say.
///
/// # Errors
/// When the octets are no such answer.
pub fn otlp_answer(octets: &[u8]) -> Result<Option<(i64, String)>, prost::DecodeError> {
    let answer = ExportMetricsServiceResponse::decode(octets)?;
    let said = answer.partial_success.map(|partial| (partial.rejected_data_points, partial.error_message));
    Ok(said.filter(|(rejected, why)| *rejected > 0 || !why.is_empty()))
}

/// The words of a receiver that refused a request: the message of a `google.rpc.Status`; empty when there are none.
pub fn otlp_refusal(octets: &[u8]) -> String {
    #[derive(Clone, PartialEq, prost::Message)]
    struct Status {
        #[prost(int32, tag = "1")]
        code: i32,
        #[prost(string, tag = "2")]
        message: String,
    }
    Status::decode(octets).map(|status| status.message).unwrap_or_default()
}

fn point(visit: &Visit, selectors: &[(&str, String)], value: f64) -> NumberDataPoint {
    let nanoseconds = |at: jiff::Timestamp| u64::try_from(at.as_nanosecond()).unwrap_or(0);
    let mut attributes = vec![attribute("circuit", &visit.line.circuit), attribute("position", &visit.line.position)];
    attributes.extend(selectors.iter().filter(|(_, value)| !value.is_empty()).map(|(key, value)| attribute(key, value)));
    NumberDataPoint {
        attributes,
        start_time_unix_nano: nanoseconds(visit.started),
        time_unix_nano: nanoseconds(visit.finished.unwrap_or(visit.started)),
        value: Some(number_data_point::Value::AsDouble(value)),
        ..NumberDataPoint::default()
    }
}

fn attribute(key: &str, value: &str) -> KeyValue {
    let value = Some(AnyValue { value: Some(Value::StringValue(value.to_owned())) });
    KeyValue { key: key.to_owned(), value, ..KeyValue::default() }
}

/// A line on what a metric is.
fn described(name: &str) -> String {
    match name.strip_prefix("doorstep.").unwrap_or(name) {
        "visit.service" => "whether the line carried packets, 1 or 0; missing when the visit can't tell".to_owned(),
        "visit.verdict" => "1 for the verdict of the visit, 0 for the others".to_owned(),
        reading => names::find(reading).map(|name| name.what.to_owned()).unwrap_or_default(),
    }
}
