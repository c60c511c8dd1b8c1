package notify

import "sync/atomic"

// channelList are the channels there are, by id. They can be replaced while
// notices are delivered: an attempt under way ends by the channel it began with.
type channelList struct {
	now atomic.Pointer[map[string]Channel]
}

func (l *channelList) use(channels map[string]Channel) { l.now.Store(&channels) }

// all must not be changed.
func (l *channelList) all() map[string]Channel { return *l.now.Load() }

// UseChannels replaces the channels. What was wrong with one may be mended.
func (w *Worker) UseChannels(channels map[string]Channel) {
	w.channels.use(channels)
	w.options.Circuits.Forget()
	w.Wake()
}

// UseChannels replaces the channels.
func (u *Unrecorded) UseChannels(channels map[string]Channel) {
	u.channels.use(channels)
	u.Wake()
}
