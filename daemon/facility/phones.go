package facility

import (
	"fmt"
	"strings"

	"rearguard/alerts/notify/push"
)

// PushChannel is the channel of kind push with its settings, nil if there is
// none.
func (f *Facility) PushChannel() *Channel {
	for i := range f.Channels {
		if f.Channels[i].Push != nil {
			return &f.Channels[i]
		}
	}
	return nil
}

// validatePushChannels checks what belongs to kind push.
func (d *document) validatePushChannels(f *Facility) {
	first := 0
	for i, c := range f.Channels {
		path := fmt.Sprintf("channels[%d]", i)
		if c.Kind != Push {
			d.foreign(path, c.Kind, map[string]bool{"push": c.Push != nil && c.Kind != ""})
			continue
		}
		if first > 0 {
			d.Fault(path, "a second channel of kind push", fmt.Sprintf("line %d is the first: a phone is subscribed to one key only, so keep one of them", first))
			continue
		}
		first = d.Line(path)
		if c.Push == nil && !d.Has(path+".push") {
			d.Fault(path, "a channel of kind push needs push", "add push: with contact and key_file")
		}
		d.foreign(path, c.Kind, c.ofCall())
		d.foreign(path, c.Kind, map[string]bool{"smtp": c.SMTP != nil})
		if c.Push != nil {
			d.validatePush(path+".push", *c.Push)
		}
		if strings.HasPrefix(f.Web.PublicURL, "http://") {
			d.Fault("web.public_url", "phones take messages only from a page with HTTPS", "put a proxy with TLS in front and write its https:// address, or remove the channel of kind push")
		}
	}
}

func (d *document) validatePush(path string, p PushSettings) {
	if p.Contact != "" {
		if err := push.CheckContact(p.Contact); err != nil {
			d.Fault(path+".contact", err.Error(), "write mailto: and an address that is read, or the https:// address of a page, of a domain of the internet: some push services refuse all messages otherwise")
		}
	}
	for i, host := range p.Services {
		if host == "" || strings.ContainsAny(host, "/:*@ ") {
			d.Fault(fmt.Sprintf("%s.services[%d]", path, i), fmt.Sprintf("%q is not the name of a host", host), "write the name only, with a dot in front for all hosts below it")
		}
	}
}
