package notify_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"rearguard/alerts/notify"
)

const (
	smsBody  = `to={{url .Phone}}&text={{.Headline | short 160 | url}}{{if .Link}}&more={{url .Link}}{{end}}`
	chatBody = `{"text": {{json .Headline}}, "who": {{json .Name}}, "at": {{json (.RaisedAt.Format "15:04")}}, "also": [{{range $i, $a := .Also}}{{if $i}},{{end}}{{json .Title}}{{end}}]}`
	form     = "application/x-www-form-urlencoded"
)

func lead() []notify.Contact {
	return []notify.Contact{{ID: "lead", Name: `Ines "the boss"`, Email: "lead@example.org", Phone: "+34600000000"}}
}

func template(t *testing.T, s notify.TemplateSource) *notify.Template {
	t.Helper()
	tmpl, err := notify.NewTemplate(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := tmpl.Try(lead()); err != nil {
		t.Fatal(err)
	}
	return tmpl
}

// gateway answers calls and keeps the last.
type gateway struct {
	header http.Header
	body   string
	answer func(w http.ResponseWriter, r *http.Request)
}

func (g *gateway) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	g.header, g.body = r.Header, string(body)
	if g.answer != nil {
		g.answer(w, r)
	}
}

func send(t *testing.T, g *gateway, c notify.WebhookConfig, m notify.Message) error {
	t.Helper()
	server := httptest.NewTLSServer(g)
	defer server.Close()
	c.URL, c.Roots, c.Contacts = server.URL, roots(server), lead()
	return notify.NewWebhook(c).Send(t.Context(), m)
}

func secret(value string) func() (string, error) { return func() (string, error) { return value, nil } }

func TestTemplateWritesTheCall(t *testing.T) {
	hostile := heat(notify.Raised, 2, begin)
	hostile.RoomName = "\"},{&to=666\\\r\nX-Evil: 1"
	m := message(t, hostile, begin)

	t.Run("a form, signed as sent", func(t *testing.T) {
		g := &gateway{}
		tmpl := template(t, notify.TemplateSource{Body: smsBody, ContentType: form, Headers: []notify.HeaderSource{
			{Name: "X-Api-Key", Value: "{{secret}}", Secret: secret("k3y")}, {Name: "X-Room", Value: "{{.RoomName}}"},
		}})
		if err := send(t, g, notify.WebhookConfig{Template: tmpl, Secret: secret(rawSecret)}, m); err != nil {
			t.Fatal(err)
		}
		values, err := url.ParseQuery(g.body)
		if err != nil || len(values["to"]) != 1 || values.Get("to") != "+34600000000" || !strings.Contains(values.Get("text"), `"},{&to=666\`) {
			t.Errorf("form %v (%v) of %q", values, err, g.body)
		}
		if g.header.Get("Content-Type") != form || g.header.Get("X-Api-Key") != "k3y" || g.header.Get("X-Evil") != "" || !strings.HasSuffix(g.header.Get("X-Room"), "X-Evil: 1") {
			t.Errorf("header = %v", g.header)
		}
		mac := hmac.New(sha256.New, []byte(rawSecret))
		mac.Write([]byte(g.header.Get("webhook-id") + "." + g.header.Get("webhook-timestamp") + "." + g.body))
		if want := "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil)); g.header.Get("webhook-signature") != want {
			t.Errorf("signature = %q, want %q", g.header.Get("webhook-signature"), want)
		}
	})
	t.Run("JSON, unsigned", func(t *testing.T) {
		g := &gateway{}
		if err := send(t, g, notify.WebhookConfig{Template: template(t, notify.TemplateSource{Body: chatBody, ContentType: "application/json"})}, m); err != nil {
			t.Fatal(err)
		}
		var got map[string]any
		if err := json.Unmarshal([]byte(g.body), &got); err != nil || len(got) != 4 || got["who"] != `Ines "the boss"` || got["at"] != "02:14" ||
			!strings.Contains(fmt.Sprint(got["text"]), `"},{&to=666\`) {
			t.Errorf("JSON %v (%v) of %q", got, err, g.body)
		}
		if _, signed := g.header["Webhook-Signature"]; signed || g.header.Get("webhook-id") == "" {
			t.Errorf("header = %v", g.header)
		}
	})
}

func TestTemplateKeepsSecrets(t *testing.T) {
	tmpl := template(t, notify.TemplateSource{Body: "x", ContentType: "text/plain", Headers: []notify.HeaderSource{
		{Name: "Authorization", Value: "Key {{secret}}", Secret: secret("s3cret")},
	}})
	g := &gateway{answer: func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusForbidden)
		_, _ = fmt.Fprint(w, "not ", r.Header.Get("Authorization"), " nor s3cret")
	}}
	err := send(t, g, notify.WebhookConfig{Template: tmpl}, message(t, heat(notify.Raised, 2, begin), begin))
	if err == nil || strings.Contains(err.Error(), "s3cret") || !strings.Contains(err.Error(), "403 Forbidden: not … nor …") {
		t.Errorf("error = %v, want the answer without the secret", err)
	}

	gone, err := notify.NewTemplate(notify.TemplateSource{Body: "x", ContentType: "text/plain", Headers: []notify.HeaderSource{
		{Name: "Authorization", Value: "{{secret}}", Secret: func() (string, error) { return "", errors.New("the file is gone") }},
	}})
	if err != nil {
		t.Fatal(err)
	}
	err = send(t, g, notify.WebhookConfig{Template: gone}, message(t, heat(notify.Raised, 2, begin), begin))
	if err == nil || notify.IsPermanent(err) || !strings.Contains(err.Error(), "Authorization: the file is gone") {
		t.Errorf("error = %v, want one that a file can mend", err)
	}
}

func TestMistakesInTemplatesAreFoundBeforeAnAlarm(t *testing.T) {
	tests := []struct {
		name              string
		source            notify.TemplateSource
		people            []notify.Contact
		header, line, col int
		problem           string
	}{
		{"not closed", notify.TemplateSource{Body: "a\nb {{.Room", ContentType: "text/plain"}, nil, -1, 2, 0, "unclosed action"},
		{"no such field", notify.TemplateSource{Body: "a\nb {{.Rom}}", ContentType: "text/plain"}, nil, -1, 2, 5, "there is no field .Rom"},
		{"no such function", notify.TemplateSource{Body: "{{jsn .Room}}", ContentType: "text/plain"}, nil, -1, 1, 0, `function "jsn" not defined`},
		{"a secret in the body", notify.TemplateSource{Body: "{{secret}}", ContentType: "text/plain"}, nil, -1, 1, 0, `function "secret" not defined`},
		{"a number that there need not be", notify.TemplateSource{Body: "{{.Number.Value}}", ContentType: "text/plain"}, nil, -1, 1, 10, ".Number.Value is not there in all news"},
		{"no phone", notify.TemplateSource{Body: "{{.Phone}}", ContentType: "text/plain"}, []notify.Contact{{ID: "lead", Phone: "+1"}, {ID: "keeper"}}, -1, 1, 3, "keeper has no phone: add it"},
		{"a header", notify.TemplateSource{Body: "x", ContentType: "text/plain", Headers: []notify.HeaderSource{{Name: "A", Value: "x"}, {Name: "B", Value: "{{.Rom}}"}}}, nil, 1, 1, 3, "no field .Rom"},
		{"a header that does not close", notify.TemplateSource{Body: "x", ContentType: "text/plain", Headers: []notify.HeaderSource{{Name: "A", Value: "{{"}}}, nil, 0, 1, 0, "unclosed action"},
		{"a header with no secret", notify.TemplateSource{Body: "x", ContentType: "text/plain", Headers: []notify.HeaderSource{{Name: "A", Value: "{{secret}}"}}}, nil, 0, 1, 0, `function "secret" not defined`},
		{"not JSON", notify.TemplateSource{Body: `{"a": {{.Priority}}}`, ContentType: "application/json; charset=utf-8"}, nil, -1, 0, 0, "not JSON"},
		{"quoted twice", notify.TemplateSource{Body: `{"a": "{{json .RoomName}}"}`, ContentType: "application/json"}, nil, -1, 0, 0, "not JSON"},
		{"JSON to break out of", notify.TemplateSource{Body: `{"a": "{{.RoomName}}"}`, ContentType: "application/vnd.x+json"}, nil, -1, 0, 0, "break out"},
		{"JSON escaped as a form", notify.TemplateSource{Body: `{"a": "{{url .RoomName}}", "b": "{{.Detail}}"}`, ContentType: "application/json"}, nil, -1, 0, 0, "break out"},
		{"JSON with a list of others", notify.TemplateSource{Body: `["", {{range .Also}}"{{.Subject}}", {{end}}""]`, ContentType: "application/json"}, nil, -1, 0, 0, "break out"},
		{"a form to break out of", notify.TemplateSource{Body: `a={{.RoomName}}&b=1`, ContentType: form}, nil, -1, 0, 0, "break out"},
		{"not a form", notify.TemplateSource{Body: `a=%zz`, ContentType: form}, nil, -1, 0, 0, "not a form"},
		{"a type that is none", notify.TemplateSource{Body: `x`, ContentType: "text/;"}, nil, -1, 0, 0, "not a content type"},
		{"too long", notify.TemplateSource{Body: `{{printf "%300000d" 1}}`, ContentType: "text/plain"}, nil, -1, 0, 0, "longer than 262144 bytes"},
		{"endless", notify.TemplateSource{Body: `{{define "a"}}{{template "a"}}{{end}}{{template "a"}}`, ContentType: "text/plain"}, nil, -1, 1, 0, "exceeded maximum template depth"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tmpl, err := notify.NewTemplate(tt.source)
			if err == nil {
				err = tmpl.Try(tt.people)
			}
			var mistake *notify.TemplateError
			if !errors.As(err, &mistake) || mistake.Header != tt.header || mistake.Line != tt.line || tt.col != 0 && mistake.Column != tt.col ||
				!strings.Contains(mistake.Problem, tt.problem) || strings.Contains(mistake.Problem, "notify.") {
				t.Errorf("mistake = %+v (%v), want %q at %d:%d of header %d", mistake, err, tt.problem, tt.line, tt.col, tt.header)
			}
		})
	}
}

// What fails with a real notice though no example did is handed on to the next
// channel.
func TestTemplateThatFailsIsFinal(t *testing.T) {
	tmpl := template(t, notify.TemplateSource{Body: `{{if eq .Condition "heat"}}x{{else}}y{{end}}{{.Phone}}`, ContentType: "text/plain"})
	m := message(t, heat(notify.Raised, 2, begin), begin)
	m.Notice.Recipient = "nobody"
	err := send(t, &gateway{}, notify.WebhookConfig{Template: tmpl}, m)
	if !notify.IsPermanent(err) || !strings.Contains(err.Error(), "template of the webhook, body, line 1: nobody has no phone") {
		t.Errorf("error = %v, want a final one", err)
	}
}

func TestFieldsOfTemplatesAreKnown(t *testing.T) {
	fields := notify.TemplateFields()
	for _, name := range []string{"Also", "Cause", "Email", "Facility", "Headline", "Link", "Name", "Number", "Phone", "RoomName", "Text", "Type"} {
		if !slices.Contains(fields, name) {
			t.Errorf("%s is not among %v", name, fields)
		}
	}
}
