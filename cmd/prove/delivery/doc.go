// Package delivery measures whether notices reach people: a real rearguard, in a
// process of its own that is killed again and again, tells many people by a mail
// server, a web server and, where one is installed, an Alertmanager, all on this
// machine, through proxies that cut, delay, refuse, truncate, ask for patience
// and fail. Afterwards its outbox is held against what arrived: nothing may be
// lost, and what arrived twice must bear the same id both times.
//
// What is drawn by lot follows from a seed. When a process is killed or a
// connection made does not, so that no two runs are the same.
package delivery
