package facility_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rearguard/daemon/facility"
)

const hook = base + "channels:\n  - id: sms\n    kind: webhook\n    url: https://h\n    template:\n      content_type: text/plain\n"

// A mistake in a template is told with the line on which it stands, also when
// that is in the middle of a text or in another file.
func TestMistakesInTemplatesHaveTheirPlace(t *testing.T) {
	tests := map[string]struct{ text, want string }{
		"block": {hook + "      body: | # as the gateway wants it\n        é {{.RoomName}}\n\n          é {{.Roomname}} x\n", `
x.yaml:15:15: there is no field .Roomname (in channels[0].template.body)
    15 |           é {{.Roomname}} x
       |               ^
         did you mean RoomName?`},
		"block without its last line break": {hook + "      body: |-\n        {{if .Room}}\n", `
x.yaml:13:1: unexpected EOF (in channels[0].template.body)
    13 |         {{if .Room}}
       | ^
         README.md lists the fields and functions of a template`},
		"quoted": {hook + "      body: \"{{.Room}}\\n{{.Rom}}\"\n", `
x.yaml:12:13: line 2 of the text: there is no field .Rom (in channels[0].template.body)
    12 |       body: "{{.Room}}\n{{.Rom}}"
       |             ^
         did you mean Room?`},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := facility.Parse("x.yaml", []byte(tt.text))
			if diff := cmp.Diff(strings.TrimPrefix(tt.want, "\n"), fmt.Sprint(err)); diff != "" {
				t.Errorf("fault (-want +got):\n%s", diff)
			}
		})
	}
}

// The examples of README.md, and the one that stands in the sample file as a
// remark, are good for somebody with a phone.
func TestDocumentedTemplatesAreGood(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var examples []string
	for _, block := range strings.Split(string(readme), "```yaml\n")[1:] {
		text, _, _ := strings.Cut(block, "```")
		examples = append(examples, text)
	}
	sample, err := os.ReadFile(samplePath)
	if err != nil {
		t.Fatal(err)
	}
	_, remark, _ := strings.Cut(string(sample), "  # - id: sms\n")
	remark, _, _ = strings.Cut("  # - id: sms\n"+remark, "\n\n")
	examples = append(examples, "channels:\n"+strings.ReplaceAll("\n"+remark, "\n  # ", "\n  ")+"\n")
	if len(examples) != 3 {
		t.Fatalf("%d examples, want two and that of the sample file", len(examples))
	}
	for i, text := range examples {
		id := "sms"
		if strings.Contains(text, "id: chat") {
			id = "chat"
		}
		people := "people: [{id: lead, name: Lead, phone: \"+34600000000\"}]\nroster: [{who: [lead], channels: [" + id + "]}]\n"
		if f, err := facility.Parse("x.yaml", []byte(base+text+people)); err != nil || f.Channels[0].Template == nil {
			t.Errorf("example %d: %v\n%s", i, err, text)
		}
	}
}

func TestTemplateFilesAreTried(t *testing.T) {
	folder := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("REARGUARD_TEST_KEY", "k3y")
	config := filepath.Join(folder, "facility.yaml")
	write("facility.yaml", hook+"      body_file: sms.tmpl\n      headers: [{name: X-Key, secret_env: REARGUARD_TEST_KEY}]\n")
	_, err := facility.Load(config)
	if err == nil || !strings.Contains(err.Error(), "facility.yaml:12:18: the template cannot be read: "+folder+"/sms.tmpl: no such file") {
		t.Errorf("error = %v, want that there is no file", err)
	}
	write("sms.tmpl", "to={{.Recipient}}\r\n&text={{urll .Headline}}\r\n")
	if _, err := facility.Parse(config, []byte(hook+"      body_file: sms.tmpl\n")); err != nil {
		t.Errorf("a file that is not to be looked at: %v", err)
	}
	_, err = facility.Load(config)
	want := folder + `/sms.tmpl:2:1: function "urll" not defined (in channels[0].template.body_file)
     2 | &text={{urll .Headline}}
       | ^
         README.md lists the fields and functions of a template`
	if diff := cmp.Diff(want, fmt.Sprint(err)); diff != "" {
		t.Errorf("fault (-want +got):\n%s", diff)
	}
	write("sms.tmpl", "to={{.Recipient}}&text={{url .Headline}}")
	f, err := facility.Load(config)
	if err != nil {
		t.Fatal(err)
	}
	source, err := f.Channels[0].Template.Source()
	if err != nil || source.Body != "to={{.Recipient}}&text={{url .Headline}}" || source.Headers[0].Value != "{{secret}}" {
		t.Errorf("source %+v, %v", source, err)
	}
	if key, err := source.Headers[0].Secret(); err != nil || key != "k3y" {
		t.Errorf("secret %q, %v", key, err)
	}
}

func TestFaultsOfTemplatesAreFound(t *testing.T) {
	tests := []struct{ name, template, problem, advice string }{
		{"template without a body", "content_type: text/plain", "a template without a body", "add body:"},
		{"template without a type", "body: x", "the key content_type is missing", "add content_type:"},
		{"two bodies", "content_type: text/plain, body: x, body_file: y", "both body and body_file", "keep one"},
		{"header without a value", "content_type: text/plain, body: x, headers: [{name: A}]", "a header without a value", "add value:"},
		{"header that is none", "content_type: text/plain, body: x, headers: [{name: \"A:\", value: x}]", "is not the name of a header", "without a colon"},
		{"header of the call", "content_type: text/plain, body: x, headers: [{name: content-type, value: x}]", "Content-Type is no header to set here", "use content_type"},
		{"header twice", "content_type: text/plain, body: x, headers: [{name: A, value: x}, {name: a, value: x}]", "the header A stands twice", "keep one"},
		{"secret that is not used", "content_type: text/plain, body: x, headers: [{name: A, value: x, secret_env: S}]", "the secret is not used", "{{secret}}"},
		{"secret in a header", "content_type: text/plain, body: x, headers: [{name: A, secret: x}]", "a secret is never written into this file", "secret_file"},
		{"mistake in a header", "content_type: text/plain, body: x, headers: [{name: A, value: \"{{.Romm}}\"}]", "there is no field .Romm", "did you mean Room?"},
		{"mistake in a body", "content_type: text/plain, body: \"{{.Romm}}\"", "there is no field .Romm", "did you mean Room?"},
		{"body to break out of", "content_type: application/json, body: '{\"a\": \"{{.RoomName}}\"}'", "would break out", "README.md"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			wantFault(t, base+"channels: [{id: h, kind: webhook, url: \"https://h\", template: {"+tt.template+"}}]\n", 6, 0, tt.problem, tt.advice)
		})
	}
	for _, tt := range []struct {
		name, text      string
		line            int
		problem, advice string
	}{
		{"template of e-mail", base + "channels: [{id: m, kind: email, smtp: {host: h, from: a@b.c}, template: {content_type: text/plain, body: x}}]\n", 6, "template does not belong to kind email", "remove it"},
		{"secret for all to read", base + "channels: [{id: h, kind: webhook, url: \"http://h\", template: {content_type: text/plain, body: x, headers: [{name: A, secret_env: S}]}}]\n", 6, "the secret would cross the network", "https://"},
		{"phone number", base + "people: [{id: p, name: P, phone: \"0034 600\"}]\n", 6, "is not a phone number", "+34600000000"},
		{"person without a phone", base + "people: [{id: p, name: P}]\nchannels: [{id: h, kind: webhook, url: \"https://h\", template: {content_type: text/plain, body: \"{{.Phone}}\"}}]\nroster: [{who: [p], channels: [h]}]\n", 7, "p has no phone", ""},
	} {
		t.Run(tt.name, func(t *testing.T) { wantFault(t, tt.text, tt.line, 0, tt.problem, tt.advice) })
	}
}
