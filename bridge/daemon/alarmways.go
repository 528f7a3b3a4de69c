package daemon

import (
	"context"
	"fmt"
	"reflect"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/config"
	"clearback/supervision/alarm"
)

// fileQueue is a queue with the ways of a file.
type fileQueue struct {
	*alarms.Queue
	log  *zap.Logger
	ways map[string]fileWay
}

type fileWay struct {
	options config.AlarmWay
	alarms.Way
}

// unusableWay is a way that cannot be made. What is for it waits for a reload.
type unusableWay struct{ err error }

func (w *unusableWay) Send(context.Context, *alarm.Message) (string, error) { return "", w.err }

// openAlarmQueue opens a queue with the ways of the file.
func openAlarmQueue(c *config.Config, log *zap.Logger) alarmQueue {
	q := &fileQueue{log: log}
	q.Queue = alarms.OpenQueue(alarms.QueueOptions{Dir: c.Alarms.Folder, Ways: q.take(c), Log: log})
	return q
}

// Configure takes the ways of another file. One with the same settings keeps its connection.
func (q *fileQueue) Configure(c *config.Config) { q.SetWays(q.take(c)) }

func (q *fileQueue) take(c *config.Config) map[string]alarms.Way {
	before, ways := q.ways, map[string]alarms.Way{}
	q.ways = map[string]fileWay{}
	for i := range c.Alarms.Ways {
		w := &c.Alarms.Ways[i]
		f, ok := before[w.Name]
		if !ok || !reflect.DeepEqual(f.options, *w) {
			way, err := openWay(w)
			if err != nil {
				q.log.Error("a way of the alarms cannot be used; correct it and reload the file", zap.String("way", w.Name),
					zap.Error(err))
				way = &unusableWay{err}
			}
			f = fileWay{*w, way}
		}
		q.ways[w.Name], ways[w.Name] = f, f.Way
	}
	return ways
}

func openWay(w *config.AlarmWay) (alarms.Way, error) {
	switch {
	case w.Mail != nil:
		return way(alarms.NewMail(w.Mail.Options()))
	case w.Webhook != nil:
		return way(alarms.NewWebhook(w.Webhook.Options()))
	case w.MQTT != nil:
		return way(alarms.NewMQTT(w.MQTT.Options()))
	case w.Program != nil:
		return way(alarms.NewProgram(w.Program.Options()))
	}
	return nil, fmt.Errorf("the way %s has no kind", w.Name)
}

// way is nil with an error.
func way[W alarms.Way](w W, err error) (alarms.Way, error) {
	if err != nil {
		return nil, err
	}
	return w, nil
}

// TryAlarm sends a message that tests a way of the file, without a daemon and without its queue. It returns what the
// other side answered. It ends with ctx.
func TryAlarm(ctx context.Context, c *config.Config, w *config.AlarmWay) (answer string, err error) {
	out, err := openWay(w)
	if err != nil {
		return "", err
	}
	return out.Send(ctx, alarm.Test(siteName(c), "test-"+randomID(), time.Now()))
}
