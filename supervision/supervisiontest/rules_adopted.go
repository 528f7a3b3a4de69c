package supervisiontest

import "clearback/supervision"

// checkAdopted checks the openings for adopted calls.
func checkAdopted(t *model, _ *Moment, ef *supervision.Effect) string {
	if c := t.find(ef.Call); ef.Kind == supervision.OpenLoop && ef.Call != 0 && c != nil && c.adopted {
		return unconfirmed(t, c)
	}
	return ""
}

// unconfirmed returns why the loop may not be opened for an adopted call, or "".
func unconfirmed(t *model, c *callModel) string {
	switch {
	case !c.heard:
		return "opens for an adopted call in which the adapter was not heard before our BYE"
	case !c.legDone:
		return "opens for an adopted call although our BYE is not answered"
	case c.leg != supervision.AnswerConfirmed:
		return "opens for an adopted call without a 2xx to our BYE"
	case c.legDoneAt > c.byeAt.Add(t.policy.Lead):
		return "opens for an adopted call whose 2xx came after the lead"
	}
	return ""
}
