from django.urls import path

from claims.views import scorecards

urlpatterns = [
    path("<site:site>/scorecards/", scorecards.cards, name="scorecards"),
    path("<site:site>/scorecards/issue/", scorecards.issue, name="scorecards_issue"),
    path("<site:site>/scorecards/<int:number>/", scorecards.card, name="scorecard"),
    path("<site:site>/scorecards/<int:number>/restate/", scorecards.restate, name="scorecard_restate"),
    path("<site:site>/scorecards/<int:number>/send/", scorecards.send, name="scorecard_send"),
    path("<site:site>/scorecards/<int:number>/pdf/", scorecards.pdf, name="scorecard_pdf"),
    path("<site:site>/scorecards/<int:number>/xlsx/", scorecards.xlsx, name="scorecard_xlsx"),
    path("<site:site>/scorecards/<int:number>/message/<uuid:uuid>/", scorecards.message_file, name="scorecard_message"),
]
