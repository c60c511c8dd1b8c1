package api

import (
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"time"
)

// fresh returns a pointer to a new value of the sample's type.
func fresh(sample any) any { return reflect.New(reflect.TypeOf(sample)).Interface() }

// object is a JSON object of the description.
type object map[string]any

// describe makes the OpenAPI 3.1 description of the operations.
func describe(operations []operation, version string) ([]byte, error) {
	schemas := object{}
	paths := map[string]object{}
	for _, o := range operations {
		full := root + o.path
		if paths[full] == nil {
			paths[full] = object{}
		}
		paths[full][strings.ToLower(o.method)] = describeOperation(o, schemas)
	}
	addSchema(reflect.TypeFor[Problem](), schemas)
	doc := object{
		"openapi": "3.1.0",
		"info": object{
			"title": "rearguard", "version": version,
			"description": "State of a rearing facility and the commands people give it. Keys carry their unit. What is not known is absent: a blind room has no air and a silent sensor no readings.",
			"license":     object{"name": "see the LICENSE file of the program"},
		},
		"servers":    []object{{"url": "/"}},
		"security":   []object{},
		"paths":      paths,
		"components": object{"schemas": schemas},
	}
	b, err := json.MarshalIndent(doc, "", " ")
	if err != nil {
		return nil, fmt.Errorf("write the OpenAPI description: %w", err)
	}
	return b, nil
}

var placeholder = regexp.MustCompile(`\{(\w+)\}`)

func describeOperation(o operation, schemas object) object {
	content := func(kind string, t reflect.Type) object {
		return object{kind: object{"schema": schemaOf(t, schemas)}}
	}
	failure := func(text string) object {
		return object{"description": text, "content": content("application/problem+json", reflect.TypeFor[Problem]())}
	}
	responses := object{
		"200": object{"description": "done", "content": content("application/json", reflect.TypeOf(o.result))},
		"503": failure("the engine is starting or does not answer"),
	}
	out := object{"operationId": o.id, "summary": o.summary, "responses": responses}
	var parameters []object
	for _, m := range placeholder.FindAllStringSubmatch(o.path, -1) {
		parameters = append(parameters, object{"name": m[1], "in": "path", "required": true, "schema": object{"type": "string"}})
	}
	if parameters != nil {
		out["parameters"] = parameters
		responses["404"] = failure("there is no such thing in this facility")
	}
	if o.body != nil {
		out["requestBody"] = object{"required": true, "content": content("application/json", reflect.TypeOf(o.body))}
		responses["400"] = failure("the body is not the JSON expected")
		responses["403"] = object{"description": "the request came from a page of another site"}
		responses["404"] = failure("there is no such thing in this facility")
		responses["413"] = failure("the body is too large")
		responses["415"] = failure("the body is not declared as JSON")
		responses["422"] = failure("the command was refused")
	}
	return out
}

// schemaOf returns the schema of a type; structs become named components.
func schemaOf(t reflect.Type, schemas object) object {
	if t == reflect.TypeFor[time.Time]() {
		return object{"type": "string", "format": "date-time"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem(), schemas)
	case reflect.Slice:
		return object{"type": "array", "items": schemaOf(t.Elem(), schemas)}
	case reflect.Struct:
		addSchema(t, schemas)
		return object{"$ref": "#/components/schemas/" + t.Name()}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Int, reflect.Int64:
		return object{"type": "integer"}
	case reflect.Uint64:
		return object{"type": "integer", "minimum": 0}
	case reflect.Float64:
		return object{"type": "number"}
	default:
		return object{"type": "string"}
	}
}

func addSchema(t reflect.Type, schemas object) {
	if schemas[t.Name()] != nil {
		return
	}
	properties, required := object{}, []string{}
	schema := object{"type": "object", "properties": properties, "additionalProperties": false}
	// Registered before its fields, so that a type may contain itself.
	schemas[t.Name()] = schema
	for _, f := range reflect.VisibleFields(t) {
		if f.Anonymous {
			continue // its fields follow
		}
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		p := schemaOf(f.Type, schemas)
		if doc := f.Tag.Get("doc"); doc != "" {
			p["description"] = doc
		}
		properties[name] = p
		if options == "" {
			required = append(required, name)
		}
	}
	schema["required"] = required
}
