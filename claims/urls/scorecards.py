from django.urls import path

from claims import converters  # noqa: F401  registers "sites"
from claims.views import scorecards

urlpatterns = [
    path("<sites:site>/scorecards/", scorecards.cards, name="scorecards"),
    path("<sites:site>/scorecards/issue/", scorecards.issue, name="scorecards_issue"),
    path("<sites:site>/scorecards/<int:number>/", scorecards.card, name="scorecard"),
    path("<sites:site>/scorecards/<int:number>/restate/", scorecards.restate, name="scorecard_restate"),
    path("<sites:site>/scorecards/<int:number>/send/", scorecards.send, name="scorecard_send"),
    path("<sites:site>/scorecards/<int:number>/pdf/", scorecards.pdf, name="scorecard_pdf"),
    path("<sites:site>/scorecards/<int:number>/xlsx/", scorecards.xlsx, name="scorecard_xlsx"),
    path(
        "<sites:site>/scorecards/<int:number>/message/<uuid:uuid>/", scorecards.message_file, name="scorecard_message"
    ),
]
