from django.urls import path

from claims.views import due, feed

urlpatterns = [
    path("<site:site>/due/", due.due, name="due"),
    path("<site:site>/due/export/<str:suffix>/", due.due_export, name="due_export"),
    path("<site:site>/due/calendar/", feed.due_feed, name="due_feed"),
    path("<site:site>/due/calendar/new/", feed.due_feed_new, name="due_feed_new"),
    path("<site:site>/due/calendar/end/", feed.due_feed_revoke, name="due_feed_revoke"),
    path("feed/<str:token>.ics", feed.feed, name="feed"),
]
