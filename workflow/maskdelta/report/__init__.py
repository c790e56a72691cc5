"""Everything -> static pages, figures, provenance."""

from maskdelta.report._provenance import write_provenance
from maskdelta.report._report import write_report
from maskdelta.report._suggestion_page import write_suggestion_page
from maskdelta.report._survey_page import write_survey_page

__all__ = ["write_provenance", "write_report", "write_suggestion_page", "write_survey_page"]
