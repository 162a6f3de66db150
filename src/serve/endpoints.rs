//! Every endpoint for machines, once: the router and `/api/v1/openapi.json` are both made of this list,
//! and the schemas of the types that are sent, so that the description cannot differ from the code.

use std::sync::LazyLock;

use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get};
use schemars::JsonSchema;
use schemars::generate::{SchemaGenerator, SchemaSettings};
use serde_json::{Map, Value, json};

use crate::serve::api::{self, JournalQuery, SignalQuery};
use crate::serve::history::{self, HistoryQuery};
use crate::serve::performance::{self, PerformanceQuery};
use crate::serve::problem::Problem;
use crate::serve::stream::{self, StreamQuery};
use crate::serve::{Face, metrics};
use crate::view::{Alarm, Alarms, Health, History, Journal, Performance, Signal, Signals, Status};

/// One endpoint and what is said of it.
struct Endpoint {
    path: &'static str,
    handler: MethodRouter<Face>,
    summary: &'static str,
    /// The query it takes.
    query: Option<Describe>,
    /// What it answers: status code, content type, and the type that is sent.
    answers: Vec<(u16, &'static str, Describe)>,
}

/// The schema of a type.
type Describe = fn(&mut SchemaGenerator) -> Value;

const JSON: &str = "application/json";
const PROBLEM: &str = "application/problem+json";

fn schema_of<T: JsonSchema>(generator: &mut SchemaGenerator) -> Value {
    generator.subschema_for::<T>().to_value()
}

fn any_text(_: &mut SchemaGenerator) -> Value {
    json!({ "type": "string" })
}

fn any_object(_: &mut SchemaGenerator) -> Value {
    json!({ "type": "object" })
}

impl Endpoint {
    fn new(path: &'static str, handler: MethodRouter<Face>, summary: &'static str) -> Endpoint {
        Endpoint { path, handler, summary, query: None, answers: Vec::new() }
    }

    fn asked_by<T: JsonSchema>(self) -> Endpoint {
        Endpoint { query: Some(schema_of::<T>), ..self }.refuses(400)
    }

    fn tells<T: JsonSchema>(self) -> Endpoint {
        self.answers(200, JSON, schema_of::<T>)
    }

    fn refuses(self, code: u16) -> Endpoint {
        self.answers(code, PROBLEM, schema_of::<Problem>)
    }

    /// Whether it can be told whole, and so be kept and asked for again.
    fn has_an_end(&self) -> bool {
        self.answers.iter().all(|(_, content_type, _)| *content_type != stream::CONTENT_TYPE)
    }

    fn answers(mut self, code: u16, content_type: &'static str, schema: Describe) -> Endpoint {
        self.answers.push((code, content_type, schema));
        self
    }
}

fn endpoints() -> Vec<Endpoint> {
    vec![
        Endpoint::new("/api/v1/status", get(api::status), "Everything known now.").tells::<Status>(),
        Endpoint::new("/api/v1/signals", get(api::signals), "Every signal.").tells::<Signals>(),
        Endpoint::new("/api/v1/signals/{id}", get(api::signal), "One signal.")
            .tells::<Signal>()
            .asked_by::<SignalQuery>()
            .refuses(404),
        Endpoint::new("/api/v1/signals/{id}/history", get(history::history), "What a signal has been.")
            .tells::<History>()
            .asked_by::<HistoryQuery>()
            .refuses(404)
            .refuses(503),
        Endpoint::new("/api/v1/alarms", get(api::alarms), "Every alarm.").tells::<Alarms>(),
        Endpoint::new("/api/v1/alarms/{id}", get(api::alarm), "One alarm.").tells::<Alarm>().refuses(404),
        Endpoint::new("/api/v1/journal", get(api::journal), "Events by their number, oldest first.")
            .tells::<Journal>()
            .asked_by::<JournalQuery>()
            .refuses(503),
        Endpoint::new(
            "/api/v1/performance",
            get(performance::performance),
            "How well the alarms served their operator.",
        )
        .tells::<Performance>()
        .asked_by::<PerformanceQuery>()
        .refuses(503),
        Endpoint::new(
            "/api/v1/stream",
            get(stream::stream),
            "Server-sent events: a `status` event with the whole status each time it changes, or a brief `changed`.",
        )
        .answers(200, stream::CONTENT_TYPE, any_text)
        .asked_by::<StreamQuery>()
        .refuses(503),
        Endpoint::new("/api/v1/openapi.json", get(openapi), "This description.")
            .answers(200, JSON, any_object),
        Endpoint::new("/health", get(api::health), "200 while the daemon keeps its promises, else 503.")
            .tells::<Health>()
            .answers(503, JSON, schema_of::<Health>),
        Endpoint::new("/metrics", get(metrics::metrics), "What is known, as OpenMetrics 1.0 text.").answers(
            200,
            metrics::CONTENT_TYPE,
            any_text,
        ),
    ]
}

/// Every endpoint for machines.
pub(super) fn routes() -> Router<Face> {
    endpoints()
        .into_iter()
        .fold(Router::new(), |router, endpoint| router.route(endpoint.path, endpoint.handler))
}

/// Made once: it changes only with the program.
static DESCRIPTION: LazyLock<String> = LazyLock::new(|| description().to_string());

/// `/api/v1/openapi.json`
async fn openapi() -> Response {
    ([(header::CONTENT_TYPE, JSON)], DESCRIPTION.as_str()).into_response()
}

/// The description after OpenAPI 3.1, whose schemas are JSON Schema 2020-12.
pub(super) fn description() -> Value {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    let settings = settings.with(|settings| settings.definitions_path = "/components/schemas".into());
    let mut generator = settings.into_generator();
    let paths: Map<String, Value> = endpoints()
        .iter()
        .map(|endpoint| (endpoint.path.to_owned(), json!({ "get": operation(endpoint, &mut generator) })))
        .collect();
    let schemas = generator.take_definitions(true);
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "siskin",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "What is known of the gas in one meter building, and how well. Read-only: GET and \
                            HEAD. Knowledge that is not there is null, never 0 and never the last value. Keys \
                            are added, never renamed. Not a safety system.",
        },
        "paths": paths,
        "components": { "schemas": schemas },
    })
}

fn operation(endpoint: &Endpoint, generator: &mut SchemaGenerator) -> Value {
    let mut responses: Map<String, Value> = endpoint
        .answers
        .iter()
        .map(|(code, content_type, schema)| {
            let content = json!({ *content_type: { "schema": schema(generator) } });
            let meaning = if *code < 400 { "The answer." } else { "A refusal, with its reason." };
            let mut response = json!({ "description": meaning, "content": content });
            if *code == 200 && endpoint.has_an_end() {
                response["headers"] = json!({ "ETag": tag() });
            }
            (code.to_string(), response)
        })
        .collect();
    if endpoint.has_an_end() {
        let told = "The answer that the asker has still holds: nothing of it is sent.";
        responses.insert("304".to_owned(), json!({ "description": told, "headers": { "ETag": tag() } }));
    }
    json!({
        "summary": endpoint.summary,
        "parameters": parameters(endpoint, generator),
        "responses": responses,
    })
}

fn tag() -> Value {
    json!({ "description": "Stands for this very answer.", "schema": { "type": "string" } })
}

/// Those in the path, then those of the query, then what the asker has already.
fn parameters(endpoint: &Endpoint, generator: &mut SchemaGenerator) -> Vec<Value> {
    let in_path = endpoint
        .path
        .contains("{id}")
        .then(|| json!({ "name": "id", "in": "path", "required": true, "schema": { "type": "string" } }));
    // A query is described by a type whose schema is not sent, so it is taken out of the definitions.
    let described = endpoint.query.map(|query| {
        let mut own = generator.settings().clone().for_deserialize().with(|s| s.inline_subschemas = true);
        own.meta_schema = None;
        query(&mut own.into_generator())
    });
    let properties = described.as_ref().and_then(|schema| schema["properties"].as_object());
    let in_query = properties.into_iter().flatten().map(|(name, schema)| {
        let mut schema = schema.clone();
        let description = schema.as_object_mut().and_then(|schema| schema.remove("description"));
        json!({ "name": name, "in": "query", "required": false, "schema": schema, "description": description })
    });
    let kept = endpoint.has_an_end().then(|| {
        let description = "The `ETag` of an answer that the asker has: if it still holds, the answer is 304.";
        json!({ "name": "If-None-Match", "in": "header", "required": false,
                "schema": { "type": "string" }, "description": description })
    });
    in_path.into_iter().chain(in_query).chain(kept).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::serve::rig::Rig;
    use crate::view::story::story;

    /// A question for each endpoint, the code of its answer, and the path that describes it.
    const QUESTIONS: [(&str, u16, &str); 24] = [
        ("/api/v1/status", 200, "/api/v1/status"),
        ("/api/v1/signals", 200, "/api/v1/signals"),
        ("/api/v1/signals/h2s-1.concentration", 200, "/api/v1/signals/{id}"),
        ("/api/v1/signals/btu-1.wobbe", 200, "/api/v1/signals/{id}"),
        ("/api/v1/signals/nowhere", 404, "/api/v1/signals/{id}"),
        ("/api/v1/signals/h2s-1.concentration?unit=gr/100scf", 200, "/api/v1/signals/{id}"),
        ("/api/v1/signals/h2s-1.concentration?unit=psig", 400, "/api/v1/signals/{id}"),
        ("/api/v1/signals/h2s-1.flow/history?unit=ft3/h&points=3", 200, "/api/v1/signals/{id}/history"),
        ("/api/v1/signals/h2s-1.flow/history?unit=SCFH", 400, "/api/v1/signals/{id}/history"),
        ("/api/v1/signals/h2s-1.flow/history?points=3", 200, "/api/v1/signals/{id}/history"),
        ("/api/v1/signals/h2s-1.flow/history?points=0", 400, "/api/v1/signals/{id}/history"),
        ("/api/v1/signals/h2s-1.flow/history?points=1000000", 400, "/api/v1/signals/{id}/history"),
        ("/api/v1/signals/h2s-1.flow/history?from=1926-01-01T00:00:00Z", 400, "/api/v1/signals/{id}/history"),
        ("/api/v1/signals/h2s-1.flaw/history", 404, "/api/v1/signals/{id}/history"),
        ("/api/v1/alarms", 200, "/api/v1/alarms"),
        ("/api/v1/alarms/flow-low", 200, "/api/v1/alarms/{id}"),
        ("/api/v1/alarms/nothing", 404, "/api/v1/alarms/{id}"),
        ("/api/v1/journal?limit=2", 200, "/api/v1/journal"),
        ("/api/v1/journal?limit=0", 400, "/api/v1/journal"),
        ("/api/v1/performance", 200, "/api/v1/performance"),
        ("/api/v1/performance?to=yesterday", 400, "/api/v1/performance"),
        ("/api/v1/openapi.json", 200, "/api/v1/openapi.json"),
        ("/health", 200, "/health"),
        ("/health", 503, "/health"),
    ];

    /// The schema of an answer, with the definitions it refers to.
    fn schema(description: &Value, path: &str, code: u16) -> Value {
        let content = &description["paths"][path]["get"]["responses"][code.to_string()]["content"];
        let (_, content) = content.as_object().unwrap().iter().next().unwrap();
        let mut schema = content["schema"].clone();
        schema["components"] = description["components"].clone();
        schema
    }

    #[tokio::test]
    async fn every_answer_is_as_it_is_described() {
        let rig = Rig::telling(story()).await;
        let description = rig.get("/api/v1/openapi.json").await.json();
        for (question, code, path) in QUESTIONS {
            if (question, code) == ("/health", 503) {
                rig.health.send_replace(crate::daemon::Health::failing("disk full"));
            }
            let answer = rig.get(question).await;
            assert_eq!(answer.status, code, "{question}: {}", answer.body);
            let validator = jsonschema::draft202012::new(&schema(&description, path, code)).unwrap();
            let told = answer.json();
            let faults: Vec<_> = validator.iter_errors(&told).map(|fault| fault.to_string()).collect();
            assert!(faults.is_empty(), "{question}: {faults:?}");
        }
    }

    #[test]
    fn what_an_answer_must_hold_is_required_and_words_are_closed_lists() {
        let description = description();
        let validator = jsonschema::draft202012::new(&schema(&description, "/health", 200)).unwrap();
        assert!(!validator.is_valid(&json!({ "healthy": true })));
        let signal = &description["components"]["schemas"]["Signal"];
        assert_eq!(signal["properties"]["quality"]["enum"], json!(["good", "uncertain", "bad"]));
        assert!(signal["required"].as_array().unwrap().contains(&json!("value")));
    }

    #[test]
    fn what_has_an_end_can_be_asked_for_again_by_its_tag() {
        for (path, item) in description()["paths"].as_object().unwrap() {
            let has_an_end = path != "/api/v1/stream";
            let operation = &item["get"];
            assert_eq!(operation["responses"]["304"].is_object(), has_an_end, "{path}");
            assert_eq!(operation["responses"]["200"]["headers"]["ETag"].is_object(), has_an_end, "{path}");
            let parameters = operation["parameters"].as_array().unwrap();
            let asks = parameters.iter().any(|parameter| parameter["name"] == "If-None-Match");
            assert_eq!(asks, has_an_end, "{path}");
        }
    }

    #[test]
    fn every_endpoint_is_described_with_what_it_takes() {
        let description = description();
        let paths = description["paths"].as_object().unwrap();
        assert_eq!(paths.len(), endpoints().len());
        let asked = |path: &str| {
            let parameters = paths[path]["get"]["parameters"].as_array().unwrap().iter();
            let parameters = parameters.filter(|parameter| parameter["in"] != "header");
            parameters.map(|parameter| parameter["name"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
        };
        assert_eq!(asked("/api/v1/signals/{id}/history"), ["id", "from", "points", "to", "unit"]);
        assert_eq!(asked("/api/v1/signals/{id}"), ["id", "unit"]);
        assert_eq!(asked("/api/v1/journal"), ["after", "limit"]);
        assert_eq!(asked("/api/v1/performance"), ["from", "to"]);
        for (path, item) in paths {
            assert!(
                item["get"]["responses"].as_object().is_some_and(|responses| !responses.is_empty()),
                "{path}"
            );
        }
    }
}
